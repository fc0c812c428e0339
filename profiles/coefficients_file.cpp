#include "profiles/coefficients_file.h"

#include <sha2.h>

#include <Eigen/Eigenvalues>
#include <algorithm>
#include <array>
#include <cmath>
#include <filesystem>
#include <optional>
#include <span>
#include <stdexcept>
#include <vector>

#include "profiles/units.h"
#include "profiles/yaml_reader.h"

namespace idlefit {
namespace {

using namespace std::string_view_literals;

constexpr std::string_view kSchema = "idlefit.coefficients/1";
// Room for the points files and engine files inside.
constexpr YamlLimits kLimits{128'000'000, 1'000'000};

// Lines of a folded YAML text.
constexpr std::string_view kLaw =
    "    Each point is predicted to within its reading error and errors that points share "
    "(normal),\n"
    "    and how far healthy engines stray from the model (Student's t in idle manifold pressure,\n"
    "    most of it the car's own and so the same in all of its points). The scale of the "
    "straying\n"
    "    is fitted too, from a half-normal prior. The coefficients are jointly normal.\n";

constexpr std::string_view kRestore = "Restore what idlefit fit wrote, or fit again.";

constexpr QuantityRange kScaleRange{Dimension::pressure, 0.0, 100.0, "kPa", "a pressure"};

// Of a number that the program wrote for a person: it is rounded to so many digits, and so it may
// differ from the exact one by half of the last.
constexpr int kShownDigits = 6;
constexpr double kShownError = 1e-5;

// --- SHA-256 -------------------------------------------------------------------------------------

constexpr std::size_t kDigestDigits = SHA256_DIGEST_STRING_LENGTH - 1;

void digest(SHA2_CTX& context, std::string_view text) {
  SHA256Update(&context, reinterpret_cast<const std::uint8_t*>(text.data()), text.size());
}

void digest(SHA2_CTX& context, std::string_view kind, const std::vector<NamedText>& texts) {
  for (const NamedText& named : texts) {
    digest(context,
           std::string(kind) + " " + named.name + " " + std::to_string(named.text.size()) + "\n");
    digest(context, named.text);
  }
}

// --- Refitting -----------------------------------------------------------------------------------

// A file name as a shell takes it for one argument, and no option.
std::string shell_argument(const std::string& path) {
  constexpr std::string_view kPlain =
      "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-./+,:@%=";
  std::string safe = path.starts_with('-') ? "./" + path : path;
  if (safe.find_first_not_of(kPlain) == std::string::npos) return safe;
  std::string quoted = "'";
  for (const char c : safe) quoted += c == '\'' ? std::string("'\\''") : std::string(1, c);
  return quoted + "'";
}

// What to do about a file whose coefficients this program cannot use.
std::string refit_advice(const YamlNode& root) {
  const std::string& name = root.place.source->name;
  const YamlNode* const source = root.find("source");
  const YamlNode* const points = source == nullptr ? nullptr : source->find("points_files");
  if (points == nullptr || points->children.empty()) {
    return "It embeds no points to fit again: leave it out, and the coefficients that come with "
           "the program serve.";
  }
  if (name == "standard input") return "Save it as a file, and give that to idlefit fit.";
  const std::filesystem::path path(name);
  const std::string fitted_again =
      (path.parent_path() /
       (path.stem().string() + "-physics-" + std::to_string(kPhysicsVersion) + ".yaml"))
          .string();
  return "Fit its points again: idlefit fit " + shell_argument(name) + " -o " +
         shell_argument(fitted_again);
}

// --- Reading -------------------------------------------------------------------------------------

std::string index_name(std::size_t i) { return std::string(kCoefficientInfo[i].name); }

std::array<std::string_view, kCoefficientCount> coefficient_names() {
  std::array<std::string_view, kCoefficientCount> names;
  for (std::size_t i = 0; i < kCoefficientCount; ++i) names[i] = kCoefficientInfo[i].name;
  return names;
}

YamlNode checked_root(YamlNode root) {
  const std::string advice = "Give a file that idlefit fit has written.";
  const YamlNode* const schema = root.find("schema");
  if (schema == nullptr) {
    throw InputError(root.place.where(), "schema", "",
                     "\"schema: " + std::string(kSchema) +
                         "\", as in a coefficients file, but the key is missing",
                     advice);
  }
  if (schema->text != kSchema) {
    throw schema->error("schema", "\"" + std::string(kSchema) + "\", a coefficients file", advice);
  }
  return root;
}

// Text as it stands, which may be empty and have many lines.
const std::string& whole_text(const YamlNode& node, const std::string& field) {
  if (node.kind != YamlNode::Kind::scalar) throw node.error(field, "a text", "Restore the text.");
  return node.text;
}

std::vector<NamedText> read_texts(const YamlNode& source, const std::string& key) {
  constexpr std::array kKeys{"name"sv, "text"sv};
  const std::string field = "source." + key;
  const YamlNode& list = source.require("source", key);
  list.expect_list(field);
  std::vector<NamedText> texts;
  for (std::size_t i = 0; i < list.children.size(); ++i) {
    const YamlNode& node = list.children[i];
    const std::string item = field + "[" + std::to_string(i + 1) + "]";
    node.expect_map(item, kKeys);
    texts.push_back({whole_text(node.require(item, "name"), item + ".name"),
                     whole_text(node.require(item, "text"), item + ".text")});
  }
  return texts;
}

std::size_t read_count(const YamlNode& source, const std::string& key, const std::string& what) {
  return static_cast<std::size_t>(
      source.require("source", key).as_integer("source." + key, {0, 1e9, what}, kRestore));
}

struct ReadSource {
  PointsSource texts;
  std::size_t points = 0, rows = 0;
};

ReadSource read_source(const YamlNode& root) {
  constexpr std::array kKeys{"points"sv, "rows"sv, "sha256"sv, "points_files"sv, "engine_files"sv};
  const YamlNode& node = root.require("", "source");
  node.expect_map("source", kKeys);
  ReadSource source;
  source.points = read_count(node, "points", "points fitted to");
  source.rows = read_count(node, "rows", "rows");
  const YamlNode& sha256 = node.require("source", "sha256");
  const std::string stated = sha256.as_text("source.sha256", kDigestDigits);
  source.texts.points = read_texts(node, "points_files");
  source.texts.engines = read_texts(node, "engine_files");
  if (stated != sha256_of(source.texts)) {
    throw sha256.error("source.sha256",
                       "the SHA-256 of the points and engine files embedded below it, but the file "
                       "was edited after idlefit fit wrote it",
                       "Edit the points files themselves and fit them again, or restore the file.");
  }
  const bool empty = source.texts.points.empty();
  if (empty != (source.points == 0)) {
    throw node.find("points")->error(
        "source.points", empty ? "0, as no points file is embedded" : "at least one point",
        std::string(kRestore));
  }
  return source;
}

Coefficients<double> read_values(const YamlNode& node, const std::string& field,
                                 const CoefficientCovariance& covariance) {
  constexpr std::array kKeys{"value"sv, "deviation"sv, "unit"sv};
  Coefficients<double> values;
  for (std::size_t i = 0; i < kCoefficientCount; ++i) {
    const CoefficientInfo& info = kCoefficientInfo[i];
    const std::string item = field + "." + index_name(i);
    const YamlNode& entry = node.require(field, info.name);
    entry.expect_map(item, kKeys);
    coefficient_ref(values, i) =
        entry.require(item, "value")
            .as_number(item + ".value", {info.lower, info.upper, "(its bounds)"}, kRestore);
    const YamlNode& unit = entry.require(item, "unit");
    if (unit.as_text(item + ".unit", 40) != info.unit) {
      throw unit.error(item + ".unit", "\"" + std::string(info.unit) + "\"",
                       "Values are written in this unit only.");
    }
    const auto k = static_cast<Eigen::Index>(i);
    const double deviation = std::sqrt(covariance(k, k));
    const YamlNode& stated = entry.require(item, "deviation");
    if (std::fabs(
            stated.as_number(item + ".deviation", {0.0, info.upper - info.lower, ""}, kRestore) -
            deviation) > kShownError * deviation) {
      throw stated.error(item + ".deviation",
                         number_text(deviation, kShownDigits) +
                             ", the square root of its variance under covariance",
                         std::string(kRestore));
    }
  }
  return values;
}

// The correlations that a covariance means; its variances are over 0.
CoefficientCovariance correlation_of(const CoefficientCovariance& covariance) {
  const Eigen::Matrix<double, static_cast<int>(kCoefficientCount), 1> scale =
      covariance.diagonal().cwiseSqrt().cwiseInverse();
  return scale.asDiagonal() * covariance * scale.asDiagonal();
}

CoefficientCovariance read_covariance(const YamlNode& node, const std::string& field) {
  CoefficientCovariance covariance;
  const std::string advice(kRestore);
  const auto rows = [&](const auto& read_row) {
    for (std::size_t i = 0; i < kCoefficientCount; ++i) {
      read_row(i, node.require(field, kCoefficientInfo[i].name), field + "." + index_name(i));
    }
  };
  const auto at = [](std::size_t i) { return static_cast<Eigen::Index>(i); };
  const auto width = [](std::size_t i) {
    return kCoefficientInfo[i].upper - kCoefficientInfo[i].lower;
  };
  rows([&](std::size_t i, const YamlNode& row, const std::string& name) {
    row.expect_list(name);
    if (row.children.size() != i + 1) {
      throw row.error(name,
                      std::to_string(i + 1) +
                          " numbers, the covariances with the coefficients up "
                          "to this one",
                      advice);
    }
    covariance(at(i), at(i)) = row.children[i].as_number(
        name, {0.0, width(i) * width(i), "(the variance, last in its row)"}, advice);
    if (covariance(at(i), at(i)) <= 0.0) {
      throw row.children[i].error(name, "a variance over 0", advice);
    }
  });
  rows([&](std::size_t i, const YamlNode& row, const std::string& name) {
    for (std::size_t j = 0; j < i; ++j) {
      const double most = std::sqrt(covariance(at(i), at(i)) * covariance(at(j), at(j)));
      const NumberRange range{-most, most, "(the product of both deviations)"};
      covariance(at(i), at(j)) = covariance(at(j), at(i)) =
          row.children[j].as_number(name + "[" + std::to_string(j + 1) + "]", range, advice);
    }
  });
  const Eigen::SelfAdjointEigenSolver<CoefficientCovariance> correlation(correlation_of(covariance),
                                                                         Eigen::EigenvaluesOnly);
  // Rounding of the eigenvalues is of the order of the count times 1e-16.
  const double smallest = correlation.eigenvalues()[0];
  if (!(smallest > 1e-13)) {
    throw node.error(field,
                     "a positive definite matrix, but the smallest eigenvalue of its correlations "
                     "is " +
                         number_text(smallest, 3),
                     advice);
  }
  return covariance;
}

Discrepancy read_discrepancy(const YamlNode& node, const std::string& field) {
  constexpr std::array kKeys{"scale"sv, "weight"sv};
  node.expect_list(field);
  Discrepancy discrepancy;
  double sum = 0.0;
  for (std::size_t i = 0; i < node.children.size(); ++i) {
    const YamlNode& entry = node.children[i];
    const std::string item = field + "[" + std::to_string(i + 1) + "]";
    entry.expect_map(item, kKeys);
    Discrepancy::Node value;
    value.scale_Pa =
        entry.require(item, "scale").as_quantity(item + ".scale", kScaleRange, kRestore);
    value.weight =
        entry.require(item, "weight").as_number(item + ".weight", {0.0, 1.0, ""}, kRestore);
    sum += value.weight;
    discrepancy.nodes.push_back(value);
  }
  // Far above the rounding of a sum of some hundred weights, far below any weight that counts.
  if (!(std::fabs(sum - 1.0) <= 1e-9)) {
    throw node.error(field,
                     "scales whose weights sum to 1, but they sum to " + number_text(sum, 10),
                     std::string(kRestore));
  }
  return discrepancy;
}

CoefficientKnowledge read_knowledge(const YamlNode& node, const std::string& prefix) {
  const auto names = coefficient_names();
  const std::string field = prefix.substr(0, prefix.find('.'));
  const YamlNode& values = node.require(field, "coefficients");
  values.expect_map(prefix + "coefficients", names);
  const YamlNode& covariance = node.require(field, "covariance");
  covariance.expect_map(prefix + "covariance", names);
  CoefficientKnowledge knowledge;
  knowledge.covariance = read_covariance(covariance, prefix + "covariance");
  knowledge.mean = read_values(values, prefix + "coefficients", knowledge.covariance);
  knowledge.discrepancy =
      read_discrepancy(node.require(field, "discrepancy"), prefix + "discrepancy");
  return knowledge;
}

// The discrepancy means something only under the law that it was fitted with.
void check_likelihood(const YamlNode& root) {
  constexpr std::array kKeys{"law"sv, "student_degrees"sv, "car_share"sv, "discrepancy_prior"sv};
  const YamlNode& node = root.require("", "likelihood");
  node.expect_map("likelihood", kKeys);
  node.require("likelihood", "law").as_text("likelihood.law", 2000);
  node.require("likelihood", "discrepancy_prior")
      .as_quantity("likelihood.discrepancy_prior", kScaleRange, kRestore);
  const auto expect = [&](const std::string& key, const NumberRange& range, double ours) {
    const YamlNode& number = node.require("likelihood", key);
    if (number.as_number("likelihood." + key, range, kRestore) != ours) {
      throw number.error("likelihood." + key, number_text(ours) + ", as in this program",
                         refit_advice(root));
    }
  };
  expect("student_degrees", {1.0, 1000.0, ""}, kStudentDegrees);
  expect("car_share", {0.0, 1.0, ""}, kCarShare);
}

std::string read_date(const YamlNode& root) {
  const YamlNode& node = root.require("", "date");
  std::string date = node.as_text("date", 40);
  constexpr std::string_view kForm = "dddd-dd-dd";
  const bool good =
      std::equal(date.begin(), date.end(), kForm.begin(), kForm.end(),
                 [](char c, char form) { return form == 'd' ? c >= '0' && c <= '9' : c == form; });
  if (!good) throw node.error("date", "a date as YYYY-MM-DD", "Write the day of the fit.");
  return date;
}

CoefficientsFile coefficients_of(const YamlNode& root) {
  constexpr std::array kKeys{"schema"sv,     "program"sv,      "date"sv,        "physics"sv,
                             "likelihood"sv, "coefficients"sv, "discrepancy"sv, "covariance"sv,
                             "prior"sv,      "source"sv};
  constexpr std::array kPriorKeys{"name"sv, "coefficients"sv, "discrepancy"sv, "covariance"sv};
  CoefficientsFile file;
  // First, as a file of other physics may have other coefficients.
  const YamlNode& physics = root.require("", "physics");
  file.physics = physics.as_integer("physics", {1, 1e6, "(a version of the physics)"}, kRestore);
  if (file.physics != kPhysicsVersion) {
    throw physics.error("physics",
                        std::to_string(kPhysicsVersion) + ", the version of this program's physics",
                        refit_advice(root));
  }
  root.expect_map("", kKeys);
  check_likelihood(root);
  file.program = root.require("", "program").as_text("program", 100);
  file.date = read_date(root);
  file.posterior = read_knowledge(root, "");
  const YamlNode& prior = root.require("", "prior");
  prior.expect_map("prior", kPriorKeys);
  file.prior_name = whole_text(prior.require("prior", "name"), "prior.name");
  file.prior = read_knowledge(prior, "prior.");
  ReadSource source = read_source(root);
  file.source = std::move(source.texts);
  file.points = source.points;
  file.rows = source.rows;
  return file;
}

// --- Writing -------------------------------------------------------------------------------------

// The name of a file, which on disk may be any bytes.
std::string quoted_name(const std::string& name, std::size_t indentation) {
  for (std::size_t i = 0; i < name.size();) {
    const Utf8Character character = utf8_character(name, i);
    if (!character.valid) {
      throw InputError({name, 0, 0}, "", "", "a file name in UTF-8, as it is written into the file",
                       "Rename the file.");
    }
    i += character.length;
  }
  return yaml_quoted(name, indentation);
}

// Whether a text comes out of a literal block as it went in: YAML makes every end of line "\n", and
// takes the indentation from the first line.
bool fits_block(std::string_view text) {
  if (text.empty() || text[0] == ' ' || text[0] == '\t' || text[0] == '\n') return false;
  for (std::size_t i = 0; i < text.size();) {
    const Utf8Character character = utf8_character(text, i);
    if (!is_text(character) || character.code == '\r' || character.code == 0xFEFF) return false;
    i += character.length;
  }
  return true;
}

// A text as a literal block where that can hold it, else in quotes.
std::string block(std::string_view text, std::size_t indentation) {
  if (!fits_block(text)) return yaml_quoted(text, indentation);
  // How the ends of line behind the last character are kept: none, one, or all.
  std::string scalar = !text.ends_with('\n') ? "|-" : text.ends_with("\n\n") ? "|+" : "|";
  if (text.ends_with('\n')) text.remove_suffix(1);
  const std::string margin(indentation, ' ');
  while (true) {
    const std::size_t end = std::min(text.find('\n'), text.size());
    scalar += '\n';
    if (end > 0) scalar.append(margin).append(text.substr(0, end));
    if (end == text.size()) return scalar;
    text.remove_prefix(end + 1);
  }
}

void write_texts(std::string& out, const std::string& key, const std::vector<NamedText>& texts) {
  out += "  " + key + ":" + (texts.empty() ? " []" : "") + "\n";
  for (const NamedText& named : texts) {
    out += "    - name: " + quoted_name(named.name, 8) + "\n";
    out += "      text: " + block(named.text, 8) + "\n";
  }
}

// Correlations that are worth a look.
std::string correlation_note(const CoefficientCovariance& correlation, std::size_t i) {
  constexpr double kWorthALook = 0.3;
  std::string note;
  for (std::size_t j = 0; j < i; ++j) {
    const double r = correlation(static_cast<Eigen::Index>(i), static_cast<Eigen::Index>(j));
    if (std::fabs(r) < kWorthALook) continue;
    note +=
        (note.empty() ? "  # correlation with " : ", ") + index_name(j) + " " + number_text(r, 2);
  }
  return note;
}

void write_knowledge(std::string& out, const std::string& margin,
                     const CoefficientKnowledge& knowledge) {
  const auto covariance = [&](std::size_t i, std::size_t j) {
    return knowledge.covariance(static_cast<Eigen::Index>(i), static_cast<Eigen::Index>(j));
  };
  out += margin + "coefficients:\n";
  for (std::size_t i = 0; i < kCoefficientCount; ++i) {
    out += margin + "  " + index_name(i) +
           ": {value: " + exact_number_text(coefficient_value(knowledge.mean, i)) +
           ", deviation: " + number_text(std::sqrt(covariance(i, i)), kShownDigits) +
           ", unit: " + yaml_quoted(kCoefficientInfo[i].unit, 0) + "}\n";
  }
  constexpr std::array kPressureUnits{"kPa"sv};
  out += margin + "discrepancy:\n";
  for (const Discrepancy::Node& node : knowledge.discrepancy.nodes) {
    out += margin +
           "  - {scale: " + quantity_text(node.scale_Pa, Dimension::pressure, kPressureUnits) +
           ", weight: " + exact_number_text(node.weight) + "}\n";
  }
  out += margin + "covariance:\n";
  const CoefficientCovariance correlation = correlation_of(knowledge.covariance);
  for (std::size_t i = 0; i < kCoefficientCount; ++i) {
    out += margin + "  " + index_name(i) + ": [";
    for (std::size_t j = 0; j <= i; ++j) {
      out += (j > 0 ? ", " : "") + exact_number_text(covariance(i, j));
    }
    out += "]" + correlation_note(correlation, i) + "\n";
  }
}

bool finite(const CoefficientKnowledge& knowledge) {
  bool good = knowledge.covariance.allFinite();
  for (std::size_t i = 0; i < kCoefficientCount; ++i) {
    good = good && std::isfinite(coefficient_value(knowledge.mean, i));
  }
  for (const Discrepancy::Node& node : knowledge.discrepancy.nodes) {
    good = good && std::isfinite(node.scale_Pa) && std::isfinite(node.weight);
  }
  return good;
}

bool same(const CoefficientKnowledge& a, const CoefficientKnowledge& b) {
  bool equal = a.covariance == b.covariance;
  for (std::size_t i = 0; i < kCoefficientCount; ++i) {
    equal = equal && coefficient_value(a.mean, i) == coefficient_value(b.mean, i);
  }
  return equal && std::equal(a.discrepancy.nodes.begin(), a.discrepancy.nodes.end(),
                             b.discrepancy.nodes.begin(), b.discrepancy.nodes.end(),
                             [](const Discrepancy::Node& x, const Discrepancy::Node& y) {
                               return x.scale_Pa == y.scale_Pa && x.weight == y.weight;
                             });
}

bool same(const std::vector<NamedText>& a, const std::vector<NamedText>& b) {
  return std::equal(
      a.begin(), a.end(), b.begin(), b.end(),
      [](const NamedText& x, const NamedText& y) { return x.name == y.name && x.text == y.text; });
}

bool same(const CoefficientsFile& a, const CoefficientsFile& b) {
  return same(a.posterior, b.posterior) && a.prior_name == b.prior_name && same(a.prior, b.prior) &&
         same(a.source.points, b.source.points) && same(a.source.engines, b.source.engines) &&
         a.points == b.points && a.rows == b.rows && a.program == b.program && a.date == b.date &&
         a.physics == b.physics;
}

}  // namespace

std::string sha256_of(const PointsSource& source) {
  SHA2_CTX context;
  SHA256Init(&context);
  digest(context, "points", source.points);
  digest(context, "engine", source.engines);
  std::array<char, SHA256_DIGEST_STRING_LENGTH> hexadecimal{};
  SHA256End(&context, hexadecimal.data());
  return hexadecimal.data();
}

CoefficientsFile read_coefficients(const std::string& path) {
  return coefficients_of(checked_root(read_yaml_file(path, kLimits)));
}

PointsSource read_embedded_points(const std::string& path) {
  return read_source(checked_root(read_yaml_file(path, kLimits))).texts;
}

CoefficientsFile built_in_coefficients() {
  return coefficients_of(
      checked_root(parse_yaml(shipped_coefficients_yaml(), "built-in coefficients.yaml", kLimits)));
}

std::string write_coefficients(const CoefficientsFile& file) {
  if (!finite(file.posterior) || !finite(file.prior)) {
    throw std::logic_error("coefficients to be written are not finite");
  }
  std::string out =
      "# Coefficients of the idle model with what is known of each, and the points they come "
      "from,\n"
      "# which can be fitted again from this file alone. Written by idlefit fit, not to be "
      "edited.\n"
      "# What each key means: docs/coefficients-file.md.\n";
  out += "schema: " + std::string(kSchema) + "\n";
  out += "program: " + yaml_quoted(file.program, 2) + "\n";
  out += "date: " + file.date + "\n";
  out += "physics: " + std::to_string(file.physics) + "\n";
  constexpr std::array kPressureUnits{"kPa"sv};
  out += "likelihood:\n  law: >-\n" + std::string(kLaw);
  out += "  student_degrees: " + exact_number_text(kStudentDegrees) + "\n";
  out += "  car_share: " + exact_number_text(kCarShare) + "\n";
  out += "  discrepancy_prior: " +
         quantity_text(kDiscrepancyPrior_Pa, Dimension::pressure, kPressureUnits) + "\n";
  write_knowledge(out, "", file.posterior);
  out += "prior:\n  name: " + quoted_name(file.prior_name, 4) + "\n";
  write_knowledge(out, "  ", file.prior);
  out += "source:\n";
  out += "  points: " + std::to_string(file.points) + "\n";
  out += "  rows: " + std::to_string(file.rows) + "\n";
  out += "  sha256: " + sha256_of(file.source) + "\n";
  write_texts(out, "points_files", file.source.points);
  write_texts(out, "engine_files", file.source.engines);

  // A shop's only copy of a fit must not turn out unreadable later.
  std::optional<CoefficientsFile> read_back;
  try {
    read_back =
        coefficients_of(checked_root(parse_yaml(out, "coefficients to be written", kLimits)));
  } catch (const InputError& problem) {
    throw std::logic_error(problem.what());
  }
  if (!same(*read_back, file)) {
    throw std::logic_error("coefficients to be written do not read back");
  }
  return out;
}

}  // namespace idlefit
