#include "cli/questions.h"

#include <pty.h>
#include <signal.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <catch2/catch.hpp>
#include <regex>
#include <sstream>
#include <string>

#include "cli/exit_code.h"
#include "cli/save_file.h"
#include "profiles/engine_file.h"
#include "tests/support/run_program.h"

namespace idlefit {
namespace {

struct Talk {
  int exit_code = -1;
  std::string out;
};

Talk talk(const std::string& answers) {
  std::istringstream in(answers);
  std::ostringstream out;
  Talk t;
  t.exit_code = ask_and_estimate(in, out, built_in_baselines(), prior_knowledge(), Style{});
  t.out = out.str();
  return t;
}

std::size_t count(const std::string& text, const std::string& pattern) {
  const std::regex regex(pattern);
  return static_cast<std::size_t>(
      std::distance(std::sregex_iterator(text.begin(), text.end(), regex), std::sregex_iterator()));
}

const std::string kEstimateLine = " kPa \\([0-9.]+–[0-9.]+\\), -?[0-9.]+ inHg vacuum";

TEST_CASE("seven answers, and the estimate after each once there is enough", "[consistency]") {
  const Talk t = talk("8\n350\n217/223\n270/276\n111\n760\n900\n\n");
  INFO(t.out);
  CHECK(t.exit_code == kExitAnswer);
  // After the cam and the four answers that follow it, and at the head of the whole answer.
  CHECK(count(t.out, kEstimateLine) == 6);
  CHECK(count(t.out, "7\\. ") == 1);
  CHECK(count(t.out, "8\\. ") == 0);
  CHECK(t.out.find("760 rpm") != std::string::npos);
}

TEST_CASE("Enter is unknown", "[consistency]") {
  const Talk t = talk("8\n5.7\nmild\n\n\n\n\n");
  INFO(t.out);
  CHECK(t.exit_code == kExitAnswer);
  CHECK(count(t.out, kEstimateLine) == 2);
  CHECK(count(t.out, "7\\. ") == 0);  // without a vacuum there is no speed to ask for
}

TEST_CASE("a vacuum stands in for the cam", "[consistency]") {
  const Talk t = talk("8\n5.7 L\n\n15\n720\n\n\n\n");
  INFO(t.out);
  CHECK(t.exit_code == kExitAnswer);
  CHECK(count(t.out, kEstimateLine) >= 2);
}

TEST_CASE("a wrong answer is explained and asked again", "[consistency]") {
  for (const char* answers : {"eight\n8\n350\nmild\n", "8\n350 psi\n350\nmild\n",
                              "8\n350\nmidl\nmild\n", "8\n350\n217/223\n100/100\n270/276\n"}) {
    INFO(answers);
    const Talk t = talk(answers);
    INFO(t.out);
    CHECK(t.exit_code == kExitAnswer);
    CHECK(count(t.out, "Expected ") == 1);
    if (*answers == 'e') CHECK(count(t.out, "such as\\s+8\\.") == 1);
  }
}

TEST_CASE("too little said is said so", "[consistency]") {
  for (const char* answers :
       {"", "8\n", "8\n350\n", "8\n350\n\n\n\n\n\n\n", "\n350\nmild\n\n\n\n\n\n"}) {
    INFO(answers);
    const Talk t = talk(answers);
    CHECK(t.exit_code == kExitInput);
    CHECK(t.out.find("Not enough for an estimate") != std::string::npos);
  }
}

TEST_CASE("the file that is saved gives the same engine", "[consistency]") {
  const TemporaryFolder folder;
  const std::string file = folder.path() + "/saved.yaml";
  const Talk t = talk("8\n350\n217/223\n270/276\n111\n760\n900\n" + file + "\n");
  INFO(t.out);
  CHECK(t.exit_code == kExitAnswer);
  const EngineCard card = read_engine_card(file, {});
  CHECK(card.cylinders == 8);
  CHECK(card.duration_seat_deg.exhaust.value() == 276);
  CHECK(card.speed_rpm.value() == 760);
}

TEST_CASE("a file is not replaced unasked", "[consistency]") {
  const TemporaryFolder folder;
  const std::string file = folder.write("mine.yaml", "precious");
  const std::string other = folder.path() + "/other.yaml";
  const std::string answers = "8\n350\nmild\n\n\n\n" + file + "\n";
  talk(answers + "no\n");
  CHECK(read_file(file) == "precious");
  talk(answers);  // the input ends where it asks
  CHECK(read_file(file) == "precious");
  talk(answers + other + "\n");
  CHECK(read_file(file) == "precious");
  CHECK(file_exists(other));
  talk(answers + "yes\n");
  CHECK(read_file(file) != "precious");
}

TEST_CASE("a folder that cannot be written is exit 4", "[consistency]") {
  std::istringstream in("8\n350\nmild\n\n\n\n/proc/engine.yaml\n");
  std::ostringstream out;
  CHECK_THROWS_AS(ask_and_estimate(in, out, built_in_baselines(), prior_knowledge(), Style{}),
                  CannotWrite);
}

TEST_CASE("every question is a question", "[consistency]") {
  CHECK(question_for("cam.lobe_separation").back() == '?');
  CHECK(question_for("some.other.key") == "What is some.other.key?");
}

TEST_CASE("at a terminal estimate asks", "[consistency]") {
  int terminal = -1;
  const pid_t child = forkpty(&terminal, nullptr, nullptr, nullptr);
  REQUIRE(child >= 0);
  if (child == 0) {
    setenv("TERM", "xterm", 1);
    unsetenv("NO_COLOR");
    execl(IDLEFIT_EXECUTABLE, "idlefit", "estimate", static_cast<char*>(nullptr));
    _exit(127);
  }
  const std::string answers = "8\n350\nmild\n\n\n\n\n";
  REQUIRE(write(terminal, answers.data(), answers.size()) == static_cast<ssize_t>(answers.size()));
  std::string shown;
  std::array<char, 4096> buffer;
  for (ssize_t n; (n = read(terminal, buffer.data(), buffer.size())) > 0;) {
    shown.append(buffer.data(), static_cast<std::size_t>(n));
  }
  int status = 0;
  waitpid(child, &status, 0);
  close(terminal);
  INFO(shown);
  CHECK(WIFEXITED(status));
  CHECK(WEXITSTATUS(status) == 0);
  CHECK(shown.find("1. How many cylinders?") != std::string::npos);
  CHECK(shown.find("\033[1m") != std::string::npos);  // colour at a terminal
  CHECK(count(shown, kEstimateLine) == 2);
}

}  // namespace
}  // namespace idlefit
