#include <unistd.h>

#include <catch2/catch.hpp>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <string>
#include <vector>

#include "profiles/baselines.h"
#include "profiles/input_error.h"

namespace idlefit {
namespace {

using Catch::Contains;

// A folder with a baselines.yaml of its own, removed again.
class Folder {
 public:
  explicit Folder(const std::string& content) {
    static int count = 0;
    path_ = std::filesystem::temp_directory_path() /
            ("idlefit_baselines_" + std::to_string(::getpid()) + "_" + std::to_string(count++));
    std::filesystem::create_directories(path_);
    std::ofstream(path_ / "baselines.yaml") << content;
  }
  ~Folder() { std::filesystem::remove_all(path_); }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  std::string path() const { return path_.string(); }

 private:
  std::filesystem::path path_;
};

BaselineSet read(const std::string& content) { return read_baselines(Folder(content).path()); }

std::string profile(const std::string& name, const std::string& from, const std::string& to) {
  return "  - {name: " + name + ", map_sea_level: {from: " + from + ", to: " + to + "}}\n";
}

const std::string kHead = "schema: idlefit.profiles/1\nprofiles:\n";

TEST_CASE("the set that ships is part of the program", "[consistency]") {
  std::ifstream file(std::string(IDLEFIT_SOURCE_DIR) + "/profiles/shipped/baselines.yaml");
  std::ostringstream text;
  text << file.rdbuf();
  REQUIRE(file);
  CHECK(shipped_baselines_yaml() == text.str());
}

TEST_CASE("the set that ships is whole, and marked provisional", "[trade]") {
  const BaselineSet set = built_in_baselines();
  CHECK(set.provisional);
  REQUIRE(set.profiles.size() == 4);
  CHECK(set.profiles[0].name == "deep");
  CHECK(set.profiles[1].name == "firm");
  CHECK(set.profiles[2].name == "soft");
  CHECK(set.profiles[3].name == "thin");
  for (const BaselineProfile& p : set.profiles) {
    // Roughly 10 kPa between classes: common practice, no source.
    CHECK(p.map_to_kPa - p.map_from_kPa == Approx(13).margin(5));
    CHECK(missing_of(p).empty());
  }
  // Above about 80 kPa an engine wants a custom calibration: common practice, no source.
  CHECK(set.profiles[3].map_to_kPa == 80.0);
}

TEST_CASE("a shop's own set may use any names and units", "[consistency]") {
  const BaselineSet set =
      read(kHead + profile("A", "8 inHg", "15 inHg") + profile("B 2", "50.79585 kPa", "70 kPa"));
  REQUIRE(set.profiles.size() == 2);
  CHECK(set.profiles[1].name == "B 2");
  CHECK(set.profiles[0].map_to_kPa == Approx(15 * 3.38639));
  CHECK_FALSE(set.provisional);
}

TEST_CASE("a set that cannot be chosen from is refused", "[consistency]") {
  struct Row {
    std::string content;
    const char* words;
    int line;
  };
  const Row row = GENERATE(values<Row>({
      {kHead + profile("a", "25 kPa", "42 kPa") + profile("b", "45 kPa", "52 kPa"), "gap", 4},
      {kHead + profile("a", "25 kPa", "42 kPa") + profile("b", "40 kPa", "52 kPa"), "overlap", 4},
      {kHead + profile("b", "42 kPa", "52 kPa") + profile("a", "25 kPa", "42 kPa"), "order", 4},
      {kHead + profile("a", "42 kPa", "25 kPa"), "swapped", 3},
      {kHead + profile("a", "42 kPa", "42 kPa"), "more than", 3},
      {kHead + profile("a", "25 kPa", "42 kPa") + profile("a", "42 kPa", "52 kPa"), "no other", 4},
      {kHead + profile("a", "25 kPa", "42 kPa") + profile("A", "42 kPa", "52 kPa"), "lower case",
       4},
      {kHead + profile("custom", "25 kPa", "42 kPa"), "custom", 3},
      {kHead + profile("Custom", "25 kPa", "42 kPa"), "other than \"custom\"", 3},
      {kHead + profile("a", "25", "42 kPa"), "unit", 3},
      {kHead + profile("a", "25 ft", "42 kPa"), "length", 3},
      {kHead + profile("a", "-25 kPa", "42 kPa"), "absolute", 3},
      {kHead + "  - {name: a}\n", "map_sea_level", 3},
      {kHead + "  - {name: a, map_sea_level: {from: 25 kPa}}\n", "to", 3},
      {kHead + "  - {nam: a, map_sea_level: {from: 25 kPa, to: 30 kPa}}\n", "Did you mean name", 3},
      {kHead + "  []\n", "at least one", 3},
      {"schema: idlefit.profiles/1\n", "profiles", 1},
      {"schema: idlefit.profiles/2\nprofiles: []\n", "idlefit.profiles/1", 1},
      {"profiles: []\n", "schema: idlefit.profiles/1", 1},
      {"schema: idlefit.profiles/1\nprofiles: {a: 1}\n", "a list", 2},
      {"schema: idlefit.profiles/1\nprovisional: maybe\nprofiles: []\n", "on, off", 2},
  }));
  INFO(row.content);
  try {
    read(row.content);
    FAIL("accepted");
  } catch (const InputError& error) {
    CHECK_THAT(error.what(), Contains(row.words));
    CHECK(error.where().line == row.line);
    CHECK_THAT(error.where().source, Contains("baselines.yaml"));
  }
  CHECK_THROWS_AS(read_baselines("/nowhere"), InputError);
  const Folder folder(kHead);
  CHECK_THROWS_WITH(read_baselines(folder.path() + "/baselines.yaml"),
                    Contains("this is a file. Give the folder that it is in: " + folder.path()));
}

}  // namespace
}  // namespace idlefit
