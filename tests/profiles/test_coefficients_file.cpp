#include <algorithm>
#include <bit>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <limits>
#include <random>
#include <stdexcept>
#include <string>
#include <vector>

#include "profiles/coefficients_file.h"
#include "profiles/input_error.h"
#include "tests/support/run_program.h"

namespace idlefit {
namespace {

using Catch::Contains;

// --- Files to write and read ---------------------------------------------------------------------

// Knowledge whose every number has all its digits: within bounds, correlated, positive definite.
CoefficientKnowledge random_knowledge(std::mt19937_64& random) {
  std::uniform_real_distribution<double> uniform(0.0, 1.0);
  std::normal_distribution<double> normal;
  constexpr auto n = static_cast<Eigen::Index>(kCoefficientCount);
  CoefficientCovariance factor;
  for (Eigen::Index i = 0; i < n * n; ++i) factor(i) = normal(random);
  // Half of the identity keeps the smallest eigenvalue far from rounding.
  const CoefficientCovariance raw = factor * factor.transpose() / static_cast<double>(n) +
                                    0.5 * CoefficientCovariance::Identity();
  CoefficientKnowledge knowledge;
  for (std::size_t k = 0; k < kCoefficientCount; ++k) {
    const CoefficientInfo& info = kCoefficientInfo[k];
    coefficient_ref(knowledge.mean, k) = info.lower + uniform(random) * (info.upper - info.lower);
  }
  for (Eigen::Index i = 0; i < n; ++i) {
    for (Eigen::Index j = 0; j <= i; ++j) {
      const auto sd = [&](Eigen::Index k) {
        return kCoefficientInfo[static_cast<std::size_t>(k)].prior_sd / std::sqrt(raw(k, k));
      };
      knowledge.covariance(i, j) = knowledge.covariance(j, i) = raw(i, j) * sd(i) * sd(j);
    }
  }
  double sum = 0.0;
  for (int i = 0; i < 40; ++i) {
    knowledge.discrepancy.nodes.push_back({10'000.0 * uniform(random), uniform(random)});
    sum += knowledge.discrepancy.nodes.back().weight;
  }
  for (Discrepancy::Node& node : knowledge.discrepancy.nodes) node.weight /= sum;
  return knowledge;
}

CoefficientsFile prior_file() {
  CoefficientsFile file;
  file.posterior = file.prior = prior_knowledge();
  file.prior_name = "table";
  file.program = "idlefit 0.1.0";
  file.date = "2025-02-28";
  return file;
}

// What a small fit of Quarry Lane Garage (invented) would write.
CoefficientsFile shop_file() {
  std::mt19937_64 random(1);
  CoefficientsFile file = prior_file();
  file.posterior = random_knowledge(random);
  file.source.points = {{"spring.csv", "engine,vacuum inHg\ntruck.yaml,15.5\n"},
                        {"autumn.csv", "engine,vacuum inHg\ntruck.yaml,15.0\n"}};
  file.source.engines = {{"truck.yaml", "engine: {cylinders: 8}\n"}};
  file.points = 2;
  file.rows = 2;
  return file;
}

// Equal to the last bit, signs of zero aside: -0 is written as 0.
bool same_bits(double a, double b) {
  a += 0.0, b += 0.0;
  return std::bit_cast<std::uint64_t>(a) == std::bit_cast<std::uint64_t>(b);
}

void check_same(const CoefficientKnowledge& a, const CoefficientKnowledge& b) {
  for (std::size_t i = 0; i < kCoefficientCount; ++i) {
    CHECK(same_bits(coefficient_value(a.mean, i), coefficient_value(b.mean, i)));
  }
  for (Eigen::Index i = 0; i < a.covariance.size(); ++i) {
    CHECK(same_bits(a.covariance(i), b.covariance(i)));
  }
  REQUIRE(a.discrepancy.nodes.size() == b.discrepancy.nodes.size());
  for (std::size_t i = 0; i < a.discrepancy.nodes.size(); ++i) {
    CHECK(same_bits(a.discrepancy.nodes[i].scale_Pa, b.discrepancy.nodes[i].scale_Pa));
    CHECK(same_bits(a.discrepancy.nodes[i].weight, b.discrepancy.nodes[i].weight));
  }
}

void check_same(const std::vector<NamedText>& a, const std::vector<NamedText>& b) {
  REQUIRE(a.size() == b.size());
  for (std::size_t i = 0; i < a.size(); ++i) {
    CHECK(a[i].name == b[i].name);
    // Not by CHECK on the texts: it would print thousands of lines where they differ.
    const bool same_text = a[i].text == b[i].text;
    INFO(printable(a[i].text, 300) << "\n" << printable(b[i].text, 300));
    CHECK(same_text);
  }
}

CoefficientsFile read(const std::string& text) {
  const TemporaryFolder folder;
  return read_coefficients(folder.write("shop.yaml", text));
}

void check_round_trip(const CoefficientsFile& file) {
  const CoefficientsFile again = read(write_coefficients(file));
  check_same(again.posterior, file.posterior);
  check_same(again.prior, file.prior);
  check_same(again.source.points, file.source.points);
  check_same(again.source.engines, file.source.engines);
  CHECK(again.prior_name == file.prior_name);
  CHECK(again.program == file.program);
  CHECK(again.date == file.date);
  CHECK(again.points == file.points);
  CHECK(again.rows == file.rows);
  CHECK(again.physics == file.physics);
}

// --- Writing and reading back --------------------------------------------------------------------

TEST_CASE("coefficients read back to the last bit", "[consistency]") {
  const auto seed = GENERATE(range(1u, 13u));
  CAPTURE(seed);
  std::mt19937_64 random(seed);
  CoefficientsFile file = shop_file();
  file.posterior = random_knowledge(random);
  file.prior = random_knowledge(random);
  file.prior_name = "our fit: of \"last\" year's # 'cars'.yaml";
  check_round_trip(file);
}

TEST_CASE("what a file holds does not change by being read and written again", "[consistency]") {
  const std::string text = write_coefficients(shop_file());
  CHECK(write_coefficients(read(text)) == text);
}

TEST_CASE("numbers at the edge of the table read back", "[consistency]") {
  CoefficientsFile file = prior_file();
  for (std::size_t i = 0; i < kCoefficientCount; ++i) {
    const CoefficientInfo& info = kCoefficientInfo[i];
    coefficient_ref(file.posterior.mean, i) = i % 2 == 0 ? info.lower : info.upper;
  }
  // A deviation next to nothing, correlations next to nothing and next to 1, one scale alone.
  file.posterior.covariance(3, 3) = 1e-16;
  file.posterior.covariance(1, 0) = file.posterior.covariance(0, 1) = 1e-300;
  file.posterior.covariance(5, 4) = file.posterior.covariance(4, 5) = -0.99999 * 15.0 * 9.0;
  file.posterior.discrepancy.nodes = {{0.0, 1.0}};
  check_round_trip(file);
}

TEST_CASE("embedded texts read back byte for byte", "[consistency]") {
  CoefficientsFile file = shop_file();
  const std::string text = GENERATE(
      as<std::string>(), "", "\n", "\n\n\n", " ", "a", "a\n", "a\n\n", "a\n\n\n", "a\r\nb\r\n",
      "\xEF\xBB\xBF"
      "a,b\n1,2\n",
      "  indented first\nnot the second\n", "\tby tab\n",
      "first\n\tthen a tab\n  \n   \nblanks above   \n", "\nfirst line empty\n", "# a comment\n",
      "--- \n...\n", "key: 'value' \"other\" \\n {[&*!|>%@`\n", "schema: idlefit.coefficients/1\n",
      "\xC3\xA9t\xC3\xA9 \xE2\x82\xAC \xF0\x9F\x94\xA7\n", "lone\rreturn\n", "a\n   ",
      "a\n\n  \n\n", "tab at the end\t", "\x01\x7F\xC2\x85 control\n",
      " \r\n \t x\r\n  \\ y\"\r\n");
  CAPTURE(printable(text, 300));
  file.source.points[0].text = text;
  file.source.engines[0] = {"a b/\"c\"\t\n\xC3\xA9: #.yaml", text};
  check_round_trip(file);
}

TEST_CASE("whatever text is embedded reads back byte for byte", "[consistency]") {
  // Pieces that YAML gives a meaning to, or that its readers change.
  const std::vector<std::string> pieces{
      "\n",           "\n",       "\n\n",         "\r\n", "\r", " ",  "  ",  "\t", "#",   ": ",
      "- ",           "a",        "b,",           "\"",   "'",  "\\", "\\n", "|",  "---", "...",
      "\xEF\xBB\xBF", "\xC3\xA9", "\xE2\x80\xA8", "%",    "{",  "]",  "&x",  "1"};
  const auto seed = GENERATE(range(1u, 9u));
  CAPTURE(seed);
  std::mt19937_64 random(seed);
  CoefficientsFile file = prior_file();
  for (int i = 0; i < 200; ++i) {
    std::string text;
    // Few kinds in one text, so that runs of blanks and line ends come up.
    std::vector<std::string> kinds;
    for (int k = 0; k < 4; ++k) kinds.push_back(pieces[random() % pieces.size()]);
    for (std::size_t left = random() % 12; left > 0; --left) text += kinds[random() % 4];
    file.source.points.push_back({std::to_string(i) + ".csv", text});
  }
  file.points = file.rows = 1;
  check_round_trip(file);
}

TEST_CASE("a person can read an embedded points file", "[characterisation]") {
  CHECK_THAT(write_coefficients(shop_file()), Contains("  points_files:\n"
                                                       "    - name: \"spring.csv\"\n"
                                                       "      text: |\n"
                                                       "        engine,vacuum inHg\n"
                                                       "        truck.yaml,15.5\n"));
}

TEST_CASE("a file saved with DOS line ends is the same", "[consistency]") {
  const CoefficientsFile file = shop_file();
  std::string text;
  for (const char c : write_coefficients(file)) text += c == '\n' ? "\r\n" : std::string(1, c);
  const CoefficientsFile again = read("\xEF\xBB\xBF" + text);
  check_same(again.posterior, file.posterior);
  check_same(again.source.points, file.source.points);
}

TEST_CASE("10,000 rows of points can be embedded", "[consistency]") {
  CoefficientsFile file = shop_file();
  std::string& csv = file.source.points[0].text;
  while (file.rows < 10'002) {
    csv += "cars/" + std::to_string(file.rows) + ".yaml,15.5,0.25,750,14,0.97,some words on it\n";
    file.source.engines.push_back({"cars/" + std::to_string(file.rows) + ".yaml",
                                   "engine: {cylinders: 8, displacement: 350 in3}\n"
                                   "cam: {duration_050: {intake: 213, exhaust: 221}}\n"});
    ++file.rows;
  }
  file.points = file.rows;
  check_round_trip(file);
}

TEST_CASE("what would not read back is not written", "[consistency]") {
  const auto refuses = [](const std::function<void(CoefficientsFile&)>& spoil) {
    CoefficientsFile file = shop_file();
    spoil(file);
    CHECK_THROWS_AS(write_coefficients(file), std::logic_error);
  };
  constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
  constexpr double kInfinity = std::numeric_limits<double>::infinity();
  refuses([](CoefficientsFile& f) { f.posterior.mean.friction = kNan; });
  refuses([](CoefficientsFile& f) { f.prior.covariance(2, 1) = kInfinity; });
  refuses([](CoefficientsFile& f) { f.prior.discrepancy.nodes[0].scale_Pa = kNan; });
  refuses([](CoefficientsFile& f) { f.posterior.mean.friction = 1.6001; });    // bound 1.6
  refuses([](CoefficientsFile& f) { f.posterior.covariance(2, 1) += 1e-9; });  // not symmetric
  refuses([](CoefficientsFile& f) { f.posterior.covariance(2, 2) = 0.0; });    // no deviation
  refuses([](CoefficientsFile& f) { f.posterior.discrepancy.nodes.clear(); });
  refuses([](CoefficientsFile& f) { f.posterior.discrepancy.nodes[0].weight += 1e-6; });
  refuses([](CoefficientsFile& f) { f.physics = kPhysicsVersion + 1; });
  refuses([](CoefficientsFile& f) { f.points = 0; });  // though it embeds some
  refuses([](CoefficientsFile& f) { f.date = "today"; });
  refuses([](CoefficientsFile& f) { f.source.points[0].text = "\xFF"; });
  refuses([](CoefficientsFile& f) {
    // Three that are all anticorrelated by 0.9 cannot be.
    f.posterior.covariance = prior_knowledge().covariance;
    for (const auto& [i, j] : {std::pair{0, 1}, {0, 2}, {1, 2}}) {
      f.posterior.covariance(i, j) = f.posterior.covariance(j, i) =
          -0.9 * std::sqrt(f.posterior.covariance(i, i) * f.posterior.covariance(j, j));
    }
  });
}

TEST_CASE("a file name that is no text is the user's to change", "[consistency]") {
  CoefficientsFile file = shop_file();
  file.source.engines[0].name = "tr\xFFuck.yaml";
  CHECK_THROWS_WITH(write_coefficients(file), Contains("tr\\xffuck.yaml: expected a file name"));
  file = shop_file();
  file.prior_name = "\xC3.yaml";
  CHECK_THROWS_AS(write_coefficients(file), InputError);
}

// --- The digest ----------------------------------------------------------------------------------

TEST_CASE("the digest of no texts is that of an empty message", "[published]") {
  // NIST, Cryptographic Algorithm Validation Program, SHA256ShortMsg.rsp, Len = 0.
  CHECK(sha256_of({}) == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
}

TEST_CASE("the digest is what sha256sum says of the documented bytes", "[consistency]") {
  const PointsSource source{{{"a.csv", "one\n"}, {"b c.csv", ""}}, {{"\xC3\xA9.yaml", "x: 1"}}};
  const TemporaryFolder folder;
  const std::string bytes =
      folder.write("bytes", "points a.csv 4\none\npoints b c.csv 0\nengine \xC3\xA9.yaml 4\nx: 1");
  const ProgramRun run = run_program("/usr/bin/sha256sum", {bytes});
  REQUIRE(run.exit_code == 0);
  CHECK(sha256_of(source) == run.out.substr(0, 64));
}

TEST_CASE("the digest covers names, order and where a text ends", "[consistency]") {
  const PointsSource source{{{"a", "12"}, {"b", "34"}}, {{"c", "56"}}};
  std::vector<PointsSource> others(6, source);
  others[0].points[0].text = "13";
  others[1].points[0].name = "A";
  std::swap(others[2].points[0], others[2].points[1]);
  others[3].points[0].text = "123", others[3].points[1].text = "4";
  others[4].points.push_back(others[4].engines[0]), others[4].engines.clear();
  others[5].engines[0].text = "";
  for (const PointsSource& other : others) CHECK(sha256_of(other) != sha256_of(source));
}

// --- What is wrong with a file -------------------------------------------------------------------

// The text with the first `from` behind `after` replaced; `from` must be there.
std::string replaced(std::string text, const std::string& after, const std::string& from,
                     const std::string& to) {
  const std::size_t start = text.find(after);
  REQUIRE(start != std::string::npos);
  const std::size_t at = text.find(from, start);
  REQUIRE(at != std::string::npos);
  return text.replace(at, from.size(), to);
}

int line_of(const std::string& text, const std::string& after, const std::string& what) {
  const std::size_t at = text.find(what, text.find(after));
  REQUIRE(at != std::string::npos);
  return 1 + static_cast<int>(std::count(text.begin(), text.begin() + static_cast<long>(at), '\n'));
}

InputError error_of(const std::string& text, const std::string& name = "shop.yaml") {
  const TemporaryFolder folder;
  try {
    read_coefficients(folder.write(name, text));
  } catch (const InputError& error) {
    return error;
  }
  FAIL("accepted");
  return {{}, "", "", "", ""};
}

TEST_CASE("what is wrong with a coefficients file is refused with its line", "[consistency]") {
  struct Wrong {
    std::string what, after, from, to;  // after "" is the whole file
    std::string at;                     // behind `after`: what the line that is named begins with
    std::string field, says;
  };
  const std::string prior = "\nprior:", source = "\nsource:";
  const auto wrong = GENERATE_COPY(values<Wrong>({
      {"another schema", "", "coefficients/1", "coefficients/9", "schema", "schema",
       "idlefit.coefficients/1"},
      {"no schema", "", "schema: idlefit.coefficients/1\n", "", "program", "schema",
       "\"schema: idlefit.coefficients/1\", as in a coefficients file"},
      {"unknown key", "", "\ndate:", "\ndata: 1\ndate:", "data", "data", "Did you mean date?"},
      {"key twice", "", "\ndate:", "\nphysics: 1\ndate:", "physics: 1\nlike", "physics",
       "each key once"},
      {"no physics", "", "physics: 1\n", "", "schema", "physics", "this key"},
      {"physics in words", "", "physics: 1", "physics: one", "physics", "physics", "number"},
      {"no program", "", "program: \"idlefit 0.1.0\"\n", "", "schema", "program", "this key"},
      {"no date", "", "date: 2025-02-28\n", "", "schema", "date", "this key"},
      {"another order of the date", "", "2025-02-28", "28.02.2025", "date", "date", "YYYY-MM-DD"},
      {"another likelihood", "", "student_degrees: 4", "student_degrees: 5", "  student_degrees",
       "likelihood.student_degrees", "Fit its points again"},
      {"another share of the car", "", "car_share: 0.8", "car_share: 0.7", "  car_share",
       "likelihood.car_share", "Fit its points again"},
      {"no share of the car", "", "  car_share: 0.8\n", "", "  law", "likelihood.car_share",
       "this key"},
      {"unknown key of the likelihood", "", "  car_share: 0.8\n", "  car_share: 0.8\n  tail: 1\n",
       "  tail", "likelihood.tail", "one of the keys"},

      {"unknown coefficient", "", "  friction: {value", "  fiction: {value", "  fiction",
       "coefficients.fiction", "Did you mean friction?"},
      {"coefficient twice", prior, "    friction: {value", "    heat_transfer: {value",
       "    heat_transfer: {value: 1, deviation: 0.12", "prior.coefficients.heat_transfer",
       "each key once"},
      {"value above its bound", prior, "friction: {value: 1,", "friction: {value: 1.61,",
       "    friction", "prior.coefficients.friction.value", "0.5 to 1.6"},
      {"value below its bound", prior, "friction: {value: 1,", "friction: {value: 0.49,",
       "    friction", "prior.coefficients.friction.value", "0.5 to 1.6"},
      {"no value", prior, "friction: {value: 1, ", "friction: {", "    friction",
       "prior.coefficients.friction.value", "this key"},
      {"value not a number", prior, "friction: {value: 1,", "friction: {value: .nan,",
       "    friction", "prior.coefficients.friction.value", "number"},
      {"another unit", prior, "unit: \"K\"", "unit: \"degF\"", "    wall_temperature_K",
       "prior.coefficients.wall_temperature_K.unit", "\"K\""},
      {"no unit", prior, ", unit: \"K\"", "", "    wall_temperature_K",
       "prior.coefficients.wall_temperature_K.unit", "this key"},
      {"unknown key of a coefficient", prior, "friction: {value: 1,", "friction: {value: 1, sd: 1,",
       "    friction", "prior.coefficients.friction.sd", "one of the keys"},
      {"deviation edited", prior, "value: 1, deviation: 0.12,", "value: 1, deviation: 0.06,",
       "    friction", "prior.coefficients.friction.deviation", "0.12, the square root"},
      {"deviation negative", prior, "value: 1, deviation: 0.12,", "value: 1, deviation: -0.12,",
       "    friction", "prior.coefficients.friction.deviation", "0 to 1.1"},

      {"covariance misspelt", "", "\ncovariance:", "\ncovarience:", "covarience", "covarience",
       "Did you mean covariance?"},
      {"covariance of a coefficient missing", prior,
       "    friction: [0, 0, 0, 0, 0, 0, 0, 0, 0, 0, "
       "0, 0, 0.0144]\n",
       "", "    low_lift_flow: [", "prior.covariance.friction", "this key"},
      {"a covariance too few", prior, "full_lift_flow: [0, ", "full_lift_flow: [",
       "    full_lift_flow: [", "prior.covariance.full_lift_flow", "2 numbers"},
      {"a covariance too many", prior, "full_lift_flow: [0, ", "full_lift_flow: [0, 0, ",
       "    full_lift_flow: [", "prior.covariance.full_lift_flow", "2 numbers"},
      {"covariance no list", prior, "full_lift_flow: [0, 0.004900000000000001]",
       "full_lift_flow: 1", "    full_lift_flow: 1", "prior.covariance.full_lift_flow", "a list"},
      {"variance 0", prior, "0, 0.0625]", "0, 0]", "    heat_transfer: [",
       "prior.covariance.heat_transfer", "over 0"},
      {"variance below 0", prior, "0, 0.0625]", "0, -0.0625]", "    heat_transfer: [",
       "prior.covariance.heat_transfer", "0 to"},
      {"correlation over 1", prior, "full_lift_flow: [0, ", "full_lift_flow: [0.0071, ",
       "    full_lift_flow: [", "prior.covariance.full_lift_flow[1]", "-0.007 to 0.007"},
      {"infinite covariance", prior, "full_lift_flow: [0, ", "full_lift_flow: [.inf, ",
       "    full_lift_flow: [", "prior.covariance.full_lift_flow[1]", "number"},
      // Correlations of 0.99 with one and 0 between the two others: no three can have them.
      {"not positive definite", prior,
       "full_lift_flow: [0, 0.004900000000000001]\n"
       "    reverse_flow: [0, 0, ",
       "full_lift_flow: [0.00693, 0.004900000000000001]\n"
       "    reverse_flow: [0.00495, 0, ",
       "    low_lift_flow: [", "prior.covariance", "positive definite"},

      {"weights that do not sum to 1", prior, "weight: 0.1111111111111111", "weight: 0.2",
       "    - {scale", "prior.discrepancy", "sum to 1"},
      {"no scale of the discrepancy", prior, "{scale: 0.27874 kPa, weight", "{weight",
       "    - {weight", "prior.discrepancy[1].scale", "this key"},
      {"scale without unit", prior, "0.27874 kPa", "0.27874", "    - {scale",
       "prior.discrepancy[1].scale", "kPa"},
      {"scale below 0", prior, "0.27874 kPa", "-0.27874 kPa", "    - {scale",
       "prior.discrepancy[1].scale", "0 to 100 kPa"},
      {"weight below 0", prior, "weight: 0.1111111111111111", "weight: -0.1", "    - {scale",
       "prior.discrepancy[1].weight", "0 to 1"},

      {"no name of the prior", prior, "  name: \"table\"\n", "", "  coefficients", "prior.name",
       "this key"},
      {"prior named by a list", prior, "name: \"table\"", "name: [table]", "  name", "prior.name",
       "a text"},

      {"no points count", source, "  points: 2\n", "", "  rows", "source.points", "this key"},
      {"half a row", source, "rows: 2", "rows: 1.5", "  rows", "source.rows", "whole number"},
      {"points denied", source, "points: 2", "points: 0", "  points", "source.points",
       "at least one point"},
      {"digest cut", source, "sha256: ", "sha256: 0\n  x: ", "  x", "source.x", "one of the keys"},
      {"embedded points edited", source, "truck.yaml,15.0", "truck.yaml,15.1", "  sha256",
       "source.sha256", "was edited"},
      {"embedded engine edited", source, "cylinders: 8", "cylinders: 6", "  sha256",
       "source.sha256", "was edited"},
      {"embedded file renamed", source, "\"truck.yaml\"", "\"lorry.yaml\"", "  sha256",
       "source.sha256", "was edited"},
      {"no text of an embedded file", source, "    - name: \"truck.yaml\"\n      text: |\n",
       "    - name: |\n", "    - name: |", "source.engine_files[1].text", "this key"},
  }));
  INFO(wrong.what);
  const std::string text =
      replaced(write_coefficients(shop_file()), wrong.after, wrong.from, wrong.to);
  const InputError error = error_of(text);
  INFO(error.what());
  CHECK(error.field() == wrong.field);
  CHECK_THAT(error.what(), Contains(wrong.says));
  CHECK(error.where().line == line_of(text, wrong.after, wrong.at));
  CHECK(error.where().column > 0);
  CHECK_FALSE(error.next_step().empty());
}

TEST_CASE("a list that is none is refused", "[consistency]") {
  const std::string text = write_coefficients(prior_file());
  const std::size_t prior = text.find("\nprior:");
  const std::size_t list = text.find("  discrepancy:", prior);
  const std::size_t end = text.find("  covariance:", prior);
  const InputError discrepancy =
      error_of(std::string(text).replace(list, end - list, "  discrepancy: 4 kPa\n"));
  CHECK(discrepancy.field() == "prior.discrepancy");
  CHECK_THAT(discrepancy.what(), Contains("expected a list"));
  // No scale at all is no discrepancy to reckon with.
  const InputError none =
      error_of(std::string(text).replace(list, end - list, "  discrepancy: []\n"));
  CHECK_THAT(none.what(), Contains("sum to 1"));
  const InputError engines =
      error_of(replaced(text, "\nsource:", "engine_files: []", "engine_files: none"));
  CHECK(engines.field() == "source.engine_files");
  CHECK_THAT(engines.what(), Contains("expected a list"));
}

TEST_CASE("a file of another kind is not taken for coefficients", "[consistency]") {
  for (const std::string text : {"engine: {cylinders: 8}\n", "schema: idlefit.profiles/1\n",
                                 "- 1\n", "engine,vacuum inHg\na.yaml,15\n"}) {
    const InputError error = error_of(text);
    CHECK_THAT(error.what(), Contains("a coefficients file"));
    CHECK_THAT(error.what(), Contains("idlefit fit"));
  }
  CHECK_THAT(error_of("").what(), Contains("the file is empty"));
  CHECK_THROWS_AS(read_coefficients("/nowhere/at/all.yaml"), InputError);
  CHECK_THROWS_AS(read_embedded_points("/nowhere/at/all.yaml"), InputError);
}

TEST_CASE("a file cut short is refused wherever it ends", "[consistency]") {
  const std::string text = write_coefficients(shop_file());
  const TemporaryFolder folder;
  // The last line end alone changes the last text, and so the digest.
  for (std::size_t length = 0; length < text.size(); length += 37) {
    CAPTURE(length);
    const std::string path = folder.write("cut.yaml", text.substr(0, length));
    CHECK_THROWS_AS(read_coefficients(path), InputError);
  }
  CHECK_THROWS_AS(read(text.substr(0, text.size() - 1)), InputError);
}

TEST_CASE("a file beyond all use is refused by its size", "[consistency]") {
  const TemporaryFolder folder;
  const std::string path = folder.write("big.yaml", "");
  std::filesystem::resize_file(path, 128'000'001);
  CHECK_THROWS_WITH(read_coefficients(path), Contains("128 MB"));
}

// --- Other physics -------------------------------------------------------------------------------

std::string of_other_physics(const CoefficientsFile& file) {
  // That physics had a coefficient which this has not, and none of another.
  return replaced(replaced(write_coefficients(file), "", "\nphysics: 1\n", "\nphysics: 7\n"),
                  "\ncoefficients:", "  friction:", "  rubbing:");
}

TEST_CASE("a file of other physics says which command fits its points again", "[consistency]") {
  const std::string text = of_other_physics(shop_file());
  const TemporaryFolder folder;
  const std::string path = folder.write("shop.yaml", text);
  CHECK_THROWS_WITH(read_coefficients(path),
                    Contains("found \"7\"") &&
                        Contains("expected " + std::to_string(kPhysicsVersion)) &&
                        Contains("idlefit fit " + path + " -o " + folder.path() + "/shop-physics-" +
                                 std::to_string(kPhysicsVersion) + ".yaml"));
  // And the points are there to be fitted.
  const PointsSource source = read_embedded_points(path);
  check_same(source.points, shop_file().source.points);
  check_same(source.engines, shop_file().source.engines);

  // Not if they were edited.
  const std::string edited = folder.write(
      "edited.yaml", replaced(text, "\nsource:", "truck.yaml,15.5", "truck.yaml,16.5"));
  CHECK_THROWS_WITH(read_embedded_points(edited), Contains("was edited"));
}

TEST_CASE("a file of other physics without points says that it cannot be fitted again",
          "[consistency]") {
  const InputError error = error_of(of_other_physics(prior_file()));
  CHECK_THAT(error.what(), Contains("no points to fit again"));
  CHECK(std::string(error.what()).find("idlefit fit ") == std::string::npos);
}

TEST_CASE("the command to fit again can be pasted whatever the file is called",
          "[consistency][program]") {
  const std::string name = GENERATE(as<std::string>(), "plain.yaml", "two words.yaml",
                                    "it's $HOME; `x` \"q\" \\.yaml", "--json.yaml", "*.yaml");
  const TemporaryFolder folder;
  folder.write(name, of_other_physics(shop_file()));
  // Run in the folder itself so that the name stands first.
  const ProgramRun run =
      run_idlefit({"estimate", "--set", "engine.cylinders=8", "--set", "engine.displacement=5.7 L",
                   "--set", "cam.described_as=mild", "--coefficients=" + name},
                  {"", folder.path(), {}});
  INFO(run.err);
  CHECK(run.exit_code == 3);
  CHECK(run.out.empty());
  const std::size_t command = run.err.find("idlefit fit ");
  REQUIRE(command != std::string::npos);
  std::string line = run.err.substr(command + 12);
  line = line.substr(0, line.find(".\n"));  // the sentence ends there at the latest
  line = line.substr(0, line.find('\n'));
  const ProgramRun words =
      run_program("/bin/sh", {"-c", "for w in " + line + "; do printf '%s\\n' \"$w\"; done"}, {});
  const std::string safe = name[0] == '-' ? "./" + name : name;
  const std::string stem = safe.substr(0, safe.size() - 5);
  CHECK(words.out ==
        safe + "\n-o\n" + stem + "-physics-" + std::to_string(kPhysicsVersion) + ".yaml\n");
}

// --- The set that ships --------------------------------------------------------------------------

TEST_CASE("the coefficients that ship are part of the program", "[consistency]") {
  CHECK(shipped_coefficients_yaml() ==
        read_file(std::string(IDLEFIT_SOURCE_DIR) + "/profiles/shipped/coefficients.yaml"));
}

TEST_CASE("the coefficients that ship are read, and are what the program would write",
          "[consistency]") {
  const CoefficientsFile shipped = built_in_coefficients();
  CHECK(shipped.physics == kPhysicsVersion);
  CHECK(write_coefficients(shipped) == shipped_coefficients_yaml());
  // Without points nothing is known but the prior.
  if (shipped.source.points.empty()) check_same(shipped.posterior, shipped.prior);
  if (shipped.prior_name == "table") check_same(shipped.prior, prior_knowledge());
}

// --- On the command line -------------------------------------------------------------------------

const std::vector<std::string> kMild{"estimate",
                                     "--set",
                                     "engine.cylinders=8",
                                     "--set",
                                     "engine.displacement=5.7 L",
                                     "--set",
                                     "cam.described_as=mild"};

ProgramRun estimate_with(std::vector<std::string> more) {
  std::vector<std::string> arguments = kMild;
  arguments.insert(arguments.end(), more.begin(), more.end());
  return run_idlefit(arguments);
}

TEST_CASE("estimate takes the coefficients of a file", "[consistency][program]") {
  const TemporaryFolder folder;
  const ProgramRun shipped = estimate_with({"--json"});
  REQUIRE(shipped.exit_code == 0);

  const std::string same = folder.write("same.yaml", std::string(shipped_coefficients_yaml()));
  CHECK(estimate_with({"--json", "--coefficients", same}).out == shipped.out);

  CoefficientsFile rubbing = built_in_coefficients();
  rubbing.posterior.mean.friction = 1.3;
  const std::string other = folder.write("other.yaml", write_coefficients(rubbing));
  const ProgramRun run = estimate_with({"--json", "--coefficients", other});
  CHECK(run.exit_code == 0);
  const auto map_kPa = [](const ProgramRun& answer) {
    return std::stod(answer.out.substr(answer.out.find("\"map_kPa\":") + 10));
  };
  // An engine that rubs more takes in more. By how much is the model's business: 0.1 kPa is above
  // what the solver leaves open.
  CHECK(map_kPa(run) > map_kPa(shipped) + 0.1);
}

TEST_CASE("coefficients that cannot be read are exit 3", "[consistency][program]") {
  const TemporaryFolder folder;
  for (const std::string& path :
       {folder.path() + "/none.yaml", folder.path(), std::string(),
        folder.write("edited.yaml", replaced(write_coefficients(shop_file()),
                                             "\nsource:", "truck.yaml,15.0", "truck.yaml,15.1"))}) {
    const ProgramRun run = estimate_with({"--coefficients", path});
    INFO(path << "\n" << run.err);
    CHECK(run.exit_code == 3);
    CHECK(run.out.empty());
    CHECK(run.err.find("expected") != std::string::npos);
  }
}

}  // namespace
}  // namespace idlefit
