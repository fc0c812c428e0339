#include "cli/terminal.h"

#include <catch2/catch.hpp>

#include "cli/save_file.h"
#include "tests/support/run_program.h"

namespace idlefit {
namespace {

TEST_CASE("a column for each code point", "[closed-form]") {
  CHECK(display_width("abc") == 3);
  CHECK(display_width("±–→") == 3);  // two and three bytes each
  CHECK(padded("±", 3) == "±  ");
}

TEST_CASE("text wraps at 80 columns under its label", "[closed-form]") {
  const std::string word(20, 'x');
  // 10 + 20 + 1 + 20 + 1 + 20 = 72 columns, and a fourth word has no room.
  CHECK(labelled("Label", 10, word + " " + word + " " + word + " " + word) ==
        "Label     " + word + " " + word + " " + word + "\n          " + word + "\n");
  // Exactly full: 10 + 35 + 1 + 34 = 80.
  const std::string full = std::string(35, 'a') + " " + std::string(34, 'b');
  CHECK(labelled("", 10, full) == "          " + full + "\n");
  // A word longer than the line stands alone, uncut.
  CHECK(labelled("", 0, "a " + std::string(90, 'b')) == "a\n" + std::string(90, 'b') + "\n");
}

TEST_CASE("emphasis only with colour", "[closed-form]") {
  CHECK(Style{false}.bold("x") == "x");
  CHECK(Style{true}.bold("x") == "\033[1mx\033[0m");
  CHECK(Style{true}.warning("x\n") == "\033[33mx\033[0m\n");
  CHECK(Style{true}.warning("") == "");
}

TEST_CASE("a file is saved whole or not at all", "[closed-form]") {
  const TemporaryFolder folder;
  const std::string path = folder.path() + "/a.yaml";
  save_file(path, "first");
  CHECK(read_file(path) == "first");
  save_file(path, "second");
  CHECK(read_file(path) == "second");
  CHECK_THROWS_AS(save_file(folder.path() + "/missing/a.yaml", "x"), CannotWrite);
  CHECK_THROWS_AS(save_file(folder.path(), "x"), CannotWrite);  // a folder is not replaced
  CHECK_FALSE(file_exists(folder.path() + "/missing"));
  CHECK(run_program("/bin/ls", {"-A", folder.path()}).out == "a.yaml\n");  // nothing left beside it
}

}  // namespace
}  // namespace idlefit
