#include <catch2/catch.hpp>
#include <regex>
#include <string>
#include <vector>

#include "tests/support/run_program.h"

namespace idlefit {
namespace {

// What every refusal owes its reader: exit 3, silence on standard output, and one message that says
// where it is, and what was expected.
void check_refused(const ProgramRun& run, const std::string& where) {
  INFO(run.err);
  CHECK(run.exit_code == 3);
  CHECK(run.out.empty());
  CHECK(std::regex_search(run.err, std::regex("^" + where)));
  CHECK(run.err.find("expected") != std::string::npos);
  // A paragraph and perhaps the line it is about with its mark; never a flood.
  CHECK(run.err.size() < 1500);
  CHECK(std::regex_search(run.err, std::regex("\n$")));
  for (const char c : run.err) CHECK((c == '\n' || static_cast<unsigned char>(c) >= 0x20));
}

const std::string kGood =
    "engine: {cylinders: 8, bore: 4.02 in, stroke: 3.46 in, compression_ratio: 9.1}\n"
    "cam:\n"
    "  duration_050: {intake: 217, exhaust: 223}\n"
    "  duration_seat: {intake: 270, exhaust: 276}\n"
    "  lobe_separation: 111\n"
    "idle: {speed: 750 rpm, altitude: 900 ft}\n";

std::string with(const std::string& from, const std::string& to) {
  std::string text = kGood;
  const std::size_t at = text.find(from);
  REQUIRE(at != std::string::npos);
  return text.replace(at, from.size(), to);
}

TEST_CASE("the file that the bad ones are made from is good", "[consistency]") {
  const TemporaryFolder folder;
  const ProgramRun run = run_idlefit({"estimate", folder.write("e.yaml", kGood)});
  INFO(run.err);
  CHECK(run.exit_code == 0);
  CHECK(run.err.empty());
}

TEST_CASE("a wrong value is refused with file, line and column", "[consistency]") {
  struct Wrong {
    std::string what, from, to, line;
  };
  const auto [what, from, to, line] = GENERATE(values<Wrong>({
      {"unknown key", "lobe_separation", "lobe_seperation", "5"},
      {"duplicate key", "  lobe_separation: 111\n",
       "  lobe_separation: 111\n  lobe_separation: 112\n", "6"},
      {"unknown section", "idle:", "idel:", "6"},
      {"missing unit", "bore: 4.02 in", "bore: 4.02", "1"},
      {"unit of another dimension", "bore: 4.02 in", "bore: 4.02 psi", "1"},
      {"unknown unit", "bore: 4.02 in", "bore: 4.02 inchworms", "1"},
      {"a lone F", "altitude: 900 ft", "intake_air: 90 F", "6"},
      {"not a number", "compression_ratio: 9.1", "compression_ratio: .nan", "1"},
      {"infinity", "compression_ratio: 9.1", "compression_ratio: .inf", "1"},
      {"infinity with unit", "bore: 4.02 in", "bore: inf in", "1"},
      {"octal-looking", "lobe_separation: 111", "lobe_separation: 0111", "5"},
      {"hexadecimal", "lobe_separation: 111", "lobe_separation: 0x6f", "5"},
      {"negative bore", "bore: 4.02 in", "bore: -4.02 in", "1"},
      {"bore of a thimble", "bore: 4.02 in", "bore: 4.02 mm", "1"},
      {"0.224 for 224", "intake: 217, exhaust: 223", "intake: 0.224, exhaust: 0.230", "3"},
      {"compression 95", "compression_ratio: 9.1", "compression_ratio: 95", "1"},
      {"seat shorter than 0.050", "intake: 270, exhaust: 276", "intake: 210, exhaust: 216", "4"},
      {"no lobe meets it", "intake: 270, exhaust: 276", "intake: 225, exhaust: 231", "[34]"},
      {"valve bigger than the bore allows", "compression_ratio: 9.1",
       "valves: {intake_diameter: 3.9 in}", "1"},
      {"lobe separation 0", "lobe_separation: 111", "lobe_separation: 0", "5"},
      {"no speed", "speed: 750 rpm", "speed: 0 rpm", "6"},
      {"9000 rpm at idle", "speed: 750 rpm", "speed: 9000 rpm", "6"},
      {"barometer 3 inHg", "altitude: 900 ft", "barometer: 3 inHg", "6"},
      {"altitude and barometer", "altitude: 900 ft", "altitude: 900 ft, barometer: 29 inHg", "6"},
      {"lash with a hydraulic lifter", "  lobe_separation: 111\n",
       "  lifter: hydraulic flat\n  lash: {intake: 0.02 in}\n", "[56]"},
      {"400 bytes in a number", "lobe_separation: 111", "lobe_separation: " + std::string(400, 'q'),
       "5"},
      {"400 bytes in a word", "  lobe_separation: 111\n",
       "  lifter: \"" + std::string(400, '%') + "\"\n", "5"},
      {"400 bytes in a key", "lobe_separation", std::string(400, 'k'), "5"},
      {"control characters in a name", "engine: {", "name: \"a\\u001b[31mred\"\nengine: {", "1"},
      {"a number too many cylinders", "cylinders: 8", "cylinders: 800", "1"},
      {"half a cylinder", "cylinders: 8", "cylinders: 7.5", "1"},
      {"a list for a map",
       "engine: {cylinders: 8, bore: 4.02 in, stroke: 3.46 in, compression_ratio: 9.1}",
       "engine: [8, 4.02 in]", "1"},
      {"a map for a number", "lobe_separation: 111", "lobe_separation: {a: 1}", "5"},
      {"an empty value", "lobe_separation: 111", "lobe_separation:", "5"},
      {"broken YAML", "engine: {cylinders", "engine: {{cylinders", "1"},
      {"a tab for spaces", "  lobe_separation", "\tlobe_separation", "5"},
      {"an alias", "intake: 270, exhaust: 276", "intake: &a 270, exhaust: *a", "4"},
      {"two documents", "idle:", "---\nidle:", "[67]"},
  }));
  INFO(what);
  const TemporaryFolder folder;
  const std::string file = folder.write("engine.yaml", with(from, to));
  check_refused(run_idlefit({"estimate", file, "--json"}), file + ":" + line + ":[0-9]+: ");
}

TEST_CASE("a file that is no engine file is refused", "[consistency]") {
  const TemporaryFolder folder;
  std::string bomb = "a0: &a0 [x, x, x, x, x, x, x, x, x, x]\n";
  for (int i = 1; i < 12; ++i) {
    const std::string before = "*a" + std::to_string(i - 1);
    bomb += "a" + std::to_string(i) + ": &a" + std::to_string(i) + " [" + before;
    for (int k = 0; k < 9; ++k) bomb += ", " + before;
    bomb += "]\n";
  }
  std::string large;
  while (large.size() < 10'000'000) large += "key_" + std::to_string(large.size()) + ": 1\n";
  std::string binary;
  for (int i = 0; i < 4096; ++i) binary += static_cast<char>((i * 7919 + (i >> 3)) & 0xFF);
  struct NoEngine {
    std::string name, content;
  };
  const std::vector<NoEngine> files{
      {"empty", ""},
      {"spaces", "  \n\n"},
      {"comment", "# nothing here\n"},
      {"binary", binary},
      {"zeros", std::string(1000, '\0')},
      {"prose", "Dear sir, my engine does not idle.\n"},
      {"json list", "[1, 2, 3]"},
      {"number", "8\n"},
      {"large", large},
      {"deep lists", "engine: " + std::string(100'000, '[')},
      {"deep maps",
       [] {
         std::string text;
         for (int i = 0; i < 2000; ++i)
           text += std::string(static_cast<std::size_t>(i), ' ') + "a:\n";
         return text;
       }()},
      {"bomb", bomb},
      {"two documents", kGood + "---\n" + kGood},
      {"not UTF-8", "name: \"\xff\xfe\"\n" + kGood},
      {"no cylinders", "engine: {displacement: 5 L}\ncam: {described_as: mild}\n"},
      {"no size", "engine: {cylinders: 8}\ncam: {described_as: mild}\n"},
      {"no cam", "engine: {cylinders: 8, displacement: 5 L}\n"},
  };
  for (const NoEngine& f : files) {
    INFO(f.name);
    const std::string file = folder.write(f.name, f.content);
    const ProgramRun run = run_idlefit({"estimate", file});
    check_refused(run, file);
    // Ten megabytes or a bomb must not take long or much; a second leaves room for a busy machine.
    CHECK(run.cpu_s < 1.0);
    CHECK(run.peak_memory_MB < 100);
  }
  check_refused(run_idlefit({"estimate", folder.path() + "/missing.yaml"}), folder.path());
  check_refused(run_idlefit({"estimate", folder.path()}), folder.path());
}

TEST_CASE("an override that is wrong is named by its number", "[consistency]") {
  const TemporaryFolder folder;
  const std::string file = folder.write("engine.yaml", kGood);
  const std::string wrong =
      GENERATE("idle.speed=0 rpm", "idle.sped=700 rpm", "idle.speed", "=",
               "idle.speed=", "idle.speed=[", "idle=5", "a.b.c=1", "idle.speed=700");
  INFO(wrong);
  check_refused(run_idlefit({"estimate", file, "--set", "idle.spark=14", "--set", wrong}),
                "--set:2: ");
}

TEST_CASE("the last of two overrides wins", "[consistency]") {
  const TemporaryFolder folder;
  const std::string file = folder.write("engine.yaml", kGood);
  const auto rpm = [&file](const std::string& first, const std::string& second) {
    const ProgramRun run =
        run_idlefit({"estimate", file, "--set", first, "--set", second, "--json"});
    return run.out.find("\"rpm\": 820.0") != std::string::npos;
  };
  CHECK(rpm("idle.speed=700 rpm", "idle.speed=820 rpm"));
  CHECK_FALSE(rpm("idle.speed=820 rpm", "idle.speed=700 rpm"));
}

TEST_CASE("an engine file on standard input", "[consistency]") {
  const TemporaryFolder folder;
  const ProgramRun from_file = run_idlefit({"estimate", folder.write("e.yaml", kGood), "--json"});
  const ProgramRun from_input = run_idlefit({"estimate", "-", "--json"}, {.input = kGood});
  CHECK(from_input.exit_code == 0);
  CHECK(from_input.out == from_file.out);
  CHECK(run_idlefit({"estimate", "-"}).exit_code == 3);  // nothing there
}

}  // namespace
}  // namespace idlefit
