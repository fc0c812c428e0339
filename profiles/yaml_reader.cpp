#include "profiles/yaml_reader.h"

#include <yaml-cpp/eventhandler.h>
#include <yaml-cpp/exceptions.h>
#include <yaml-cpp/mark.h>
#include <yaml-cpp/parser.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <optional>
#include <sstream>
#include <stdexcept>
#include <unordered_set>
#include <utility>

#include "profiles/text_file.h"
#include "profiles/trade_words.h"

namespace idlefit {
namespace {

using namespace std::string_view_literals;

// --- Places and excerpts -------------------------------------------------------------------------

std::vector<std::string> split_lines(std::string_view text) {
  std::vector<std::string> lines(1);
  for (const char c : text) {
    if (c == '\n') {
      lines.emplace_back();
    } else if (c != '\r') {
      lines.back() += c;
    }
  }
  return lines;
}

YamlPlace place_at(const std::shared_ptr<const YamlSource>& source, int line_from_0,
                   int byte_from_0) {
  // The parser marks some errors behind the last line, and some nowhere.
  const int last = static_cast<int>(source->lines.size()) - 1;
  const int line = std::clamp(line_from_0, 0, std::max(last, 0));
  const int byte = std::max(byte_from_0, 0);
  if (last < 0) return {source, 0, 0};
  return {source, line + 1,
          column_of(source->lines[static_cast<std::size_t>(line)], static_cast<std::size_t>(byte))};
}

// --- The parser's events, made a tree ------------------------------------------------------------

class TreeBuilder : public YAML::EventHandler {
 public:
  TreeBuilder(std::shared_ptr<const YamlSource> source, std::size_t nodes_max)
      : source_(std::move(source)), nodes_max_(nodes_max) {}

  YamlNode take_root() { return std::move(root_); }

  void OnDocumentStart(const YAML::Mark& mark) override {
    if (++documents_ > 1) {
      throw InputError(at(mark).where(), "", "", "one YAML document",
                       "Remove the second document, or put it into a file of its own.",
                       at(mark).excerpt());
    }
  }
  void OnDocumentEnd() override {}

  void OnNull(const YAML::Mark& mark, YAML::anchor_t anchor) override {
    check(mark, "", anchor);
    if (!open_.empty() && open_.back().expects_key()) {
      throw InputError(at(mark).where(), "", "", "a key before the colon", "Write the key's name.",
                       at(mark).excerpt());
    }
    count(mark);
    YamlNode node;
    // The parser marks what comes next; the reader of a message looks for the key.
    const bool value_of_key = !open_.empty() && open_.back().node.kind == YamlNode::Kind::map;
    node.place = value_of_key ? open_.back().node.key_places.back() : at(mark);
    attach(std::move(node));
  }

  void OnAlias(const YAML::Mark& mark, YAML::anchor_t) override { refuse_anchor(mark); }
  void OnAnchor(const YAML::Mark& mark, const std::string& name) override {
    // Called for every node, with an empty name where there is no anchor.
    if (!name.empty()) refuse_anchor(mark);
  }

  void OnScalar(const YAML::Mark& mark, const std::string& tag, YAML::anchor_t anchor,
                const std::string& value) override {
    check(mark, tag, anchor);
    check_closing_quote(mark);
    count(mark);
    if (!open_.empty() && open_.back().expects_key()) {
      Level& level = open_.back();
      if (!level.seen.insert(value).second) {
        const auto& keys = level.node.keys;
        const auto first =
            static_cast<std::size_t>(std::find(keys.begin(), keys.end(), value) - keys.begin());
        const int line = level.node.key_places[first].line;
        throw InputError(
            at(mark).where(), dotted(value), "", "each key once",
            "It already stands in line " + std::to_string(line) + ": remove one of the two.",
            at(mark).excerpt());
      }
      level.node.keys.push_back(value);
      level.node.key_places.push_back(at(mark));
      return;
    }
    YamlNode node;
    node.kind = YamlNode::Kind::scalar;
    node.place = at(mark);
    node.text = value;
    attach(std::move(node));
  }

  void OnSequenceStart(const YAML::Mark& mark, const std::string& tag, YAML::anchor_t anchor,
                       YAML::EmitterStyle::value) override {
    open(mark, tag, anchor, YamlNode::Kind::list);
  }
  void OnSequenceEnd() override { close(); }
  void OnMapStart(const YAML::Mark& mark, const std::string& tag, YAML::anchor_t anchor,
                  YAML::EmitterStyle::value) override {
    open(mark, tag, anchor, YamlNode::Kind::map);
  }
  void OnMapEnd() override { close(); }

 private:
  struct Level {
    YamlNode node;
    std::unordered_set<std::string> seen;
    bool expects_key() const {
      return node.kind == YamlNode::Kind::map && node.keys.size() == node.children.size();
    }
  };

  std::string dotted(const std::string& key) const {
    std::string path;
    for (std::size_t i = 0; i + 1 < open_.size(); ++i) {
      if (open_[i].node.kind == YamlNode::Kind::map) path += open_[i].node.keys.back() + ".";
    }
    return path + key;
  }

  YamlPlace at(const YAML::Mark& mark) const { return place_at(source_, mark.line, mark.column); }

  [[noreturn]] void refuse_anchor(const YAML::Mark& mark) const {
    throw InputError(at(mark).where(), "", "", "plain YAML without anchors (&) and aliases (*)",
                     "Write the value out in full; put a text that starts with & or * in quotes.",
                     at(mark).excerpt());
  }

  void check(const YAML::Mark& mark, const std::string& tag, YAML::anchor_t anchor) const {
    if (anchor != YAML::NullAnchor) refuse_anchor(mark);
    // "?" and "!" are what the parser reports for plain and quoted scalars.
    if (!tag.empty() && tag != "?" && tag != "!") {
      throw InputError(at(mark).where(), "", tag, "plain YAML without tags (!)",
                       "Remove the tag; put a text that starts with ! in quotes.",
                       at(mark).excerpt());
    }
  }

  // The parser takes the end of the file for a closing quote.
  void check_closing_quote(const YAML::Mark& mark) const {
    auto line = static_cast<std::size_t>(std::max(mark.line, 0));
    auto i = static_cast<std::size_t>(std::max(mark.column, 0));
    if (line >= source_->lines.size() || i >= source_->lines[line].size()) return;
    const char quote = source_->lines[line][i];
    if (quote != '"' && quote != '\'') return;
    for (++i; line < source_->lines.size(); ++line, i = 0) {
      const std::string& text = source_->lines[line];
      for (; i < text.size(); ++i) {
        if (text[i] == '\\' && quote == '"') {
          ++i;
        } else if (text[i] == quote) {
          if (quote == '"' || i + 1 >= text.size() || text[i + 1] != quote) return;
          ++i;
        }
      }
    }
    throw InputError(at(mark).where(), "", "", "a closing quote for the one that opens here",
                     "Close the quotes.", at(mark).excerpt());
  }

  void count(const YAML::Mark& mark) {
    if (++nodes_ > nodes_max_) {
      throw InputError(at(mark).where(), "", "",
                       "at most " + std::to_string(nodes_max_) + " keys and values",
                       "Is this the file you meant?", at(mark).excerpt());
    }
  }

  void open(const YAML::Mark& mark, const std::string& tag, YAML::anchor_t anchor,
            YamlNode::Kind kind) {
    check(mark, tag, anchor);
    count(mark);
    if (!open_.empty() && open_.back().expects_key()) {
      throw InputError(at(mark).where(), "", kind == YamlNode::Kind::map ? "a map" : "a list",
                       "a plain word as key",
                       "Close every { with } and every [ with ], and check the indentation.",
                       at(mark).excerpt());
    }
    // Thrown on the way down, so the parser never recurses deeper than this.
    if (open_.size() >= kYamlDepthMax) {
      throw InputError(at(mark).where(), "", "",
                       "at most " + std::to_string(kYamlDepthMax) + " levels of nesting",
                       "Check braces, brackets and indentation.", at(mark).excerpt());
    }
    Level level;
    level.node.kind = kind;
    level.node.place = at(mark);
    open_.push_back(std::move(level));
  }

  void close() {
    YamlNode node = std::move(open_.back().node);
    open_.pop_back();
    attach(std::move(node));
  }

  void attach(YamlNode node) {
    if (open_.empty()) {
      root_ = std::move(node);
    } else {
      open_.back().node.children.push_back(std::move(node));
    }
  }

  std::shared_ptr<const YamlSource> source_;
  std::vector<Level> open_;
  YamlNode root_;
  int documents_ = 0;
  std::size_t nodes_ = 0, nodes_max_;
};

// The byte of a tab that a line is indented with; npos where there is none.
std::size_t indenting_tab(const std::string& line) {
  const std::size_t tab = line.find('\t');
  return tab < line.find_first_not_of(" \t") ? tab : std::string::npos;
}

// Number of the last line above one (both from 1) that is not blank; 0 for none.
int line_above(const std::vector<std::string>& lines, int line) {
  int above = line - 1;
  while (above > 0 &&
         lines[static_cast<std::size_t>(above - 1)].find_first_not_of(" \t") == std::string::npos) {
    --above;
  }
  return above;
}

// What the parser's terse complaints mean to somebody who edits a file by hand.
std::string yaml_advice(const std::string& complaint, const std::vector<std::string>& lines,
                        int number) {
  const std::string line = number > 0 ? lines[static_cast<std::size_t>(number - 1)] : "";
  if (complaint.find("tab") != std::string::npos || indenting_tab(line) != std::string::npos) {
    return "Indent with spaces, not with tabs.";
  }
  if (complaint.find("anchor") != std::string::npos ||
      complaint.find("alias") != std::string::npos) {
    return "Anchors (&) and aliases (*) are not allowed: write the value out in full.";
  }
  if (complaint.find("illegal map value") != std::string::npos) {
    // A key without its colon runs on into the line that the parser then complains of.
    const int above = line_above(lines, number);
    if (above > 0 && lines[static_cast<std::size_t>(above - 1)].find(':') == std::string::npos) {
      return "Is a colon missing in line " + std::to_string(above) +
             "? A colon that belongs to a text stands in quotes.";
    }
    return "A second colon in one line: put the text in quotes, or the key on its own line.";
  }
  if (complaint.find("flow") != std::string::npos)
    return "Close every { with } and every [ with ].";
  if (complaint.find("EOF in scalar") != std::string::npos) return "Close the quotes.";
  if (complaint.find("end of map") != std::string::npos ||
      complaint.find("end of seq") != std::string::npos) {
    return "Check the indentation, and the colon and space behind every key.";
  }
  if (complaint.find("escape") != std::string::npos) return "Use single quotes around a backslash.";
  return "Check indentation, colons, quotes and braces near here.";
}

// Whatever is not plain text is refused here, so the parser never sees it.
void check_text(std::string_view text, const std::shared_ptr<const YamlSource>& source) {
  const auto no_text = find_no_text(text);
  if (!no_text) return;
  const YamlPlace place =
      place_at(source, no_text->line - 1, static_cast<int>(no_text->byte - no_text->line_start));
  throw InputError(place.where(), "", std::string(text.substr(no_text->byte, no_text->length)),
                   "text in UTF-8 without control characters",
                   no_text_advice(text, *no_text, "give a YAML file, saved as UTF-8"),
                   place.excerpt());
}

YamlNode parse(std::string_view text, const std::shared_ptr<const YamlSource>& source,
               const YamlLimits& limits) {
  check_text(text, source);
  TreeBuilder builder(source, limits.nodes);
  try {
    std::istringstream stream{std::string(text)};
    YAML::Parser parser(stream);
    while (parser.HandleNextDocument(builder)) {
    }
  } catch (const YAML::Exception& problem) {
    YamlPlace place = place_at(source, problem.mark.line, problem.mark.column);
    if (place.line > 0) {
      // The parser complains behind the tab, where the line has its first colon.
      const std::size_t tab =
          indenting_tab(source->lines[static_cast<std::size_t>(place.line - 1)]);
      if (tab != std::string::npos) place = place_at(source, place.line - 1, static_cast<int>(tab));
    }
    throw InputError(place.where(), "", "", "YAML (the parser says: " + problem.msg + ")",
                     yaml_advice(problem.msg, source->lines, place.line), place.excerpt());
  }
  YamlNode root = builder.take_root();
  if (!root.place.source) root.place = {source, 0, 0};
  return root;
}

// --- Guessing what was meant ---------------------------------------------------------------------

// Optimal string alignment distance.
std::size_t edit_distance(const std::string& a, const std::string& b) {
  std::vector<std::size_t> before_last(b.size() + 1), last(b.size() + 1), now(b.size() + 1);
  for (std::size_t j = 0; j <= b.size(); ++j) last[j] = j;
  for (std::size_t i = 1; i <= a.size(); ++i) {
    now[0] = i;
    for (std::size_t j = 1; j <= b.size(); ++j) {
      now[j] =
          std::min({last[j] + 1, now[j - 1] + 1, last[j - 1] + (a[i - 1] == b[j - 1] ? 0 : 1)});
      if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1]) {
        now[j] = std::min(now[j], before_last[j - 2] + 1);
      }
    }
    std::swap(before_last, last);
    std::swap(last, now);
  }
  return last[b.size()];
}

constexpr std::array<double, 7> kSlips{1.0, 10.0, 0.1, 100.0, 0.01, 1000.0, 0.001};

// A number in range that differs by a lost sign or decimal point: 0.224 typed for 224.
std::optional<double> slipped_number(double number, double low, double high) {
  for (const double factor : kSlips) {
    const double guess = std::fabs(number) * factor;
    if (number != 0.0 && guess >= low && guess <= high) return guess;
  }
  return std::nullopt;
}

std::string did_you_mean(const std::string& guess) { return "Did you mean " + guess + "? "; }

// The words of which a text is one part: both kinds of roller lifter for "roller".
std::vector<std::string_view> words_with(std::string_view part,
                                         std::span<const std::string_view> words) {
  std::vector<std::string_view> found;
  for (const std::string_view word : words) {
    if ((" " + folded_name(word) + " ").find(" " + std::string(part) + " ") != std::string::npos)
      found.push_back(word);
  }
  return found;
}

}  // namespace

// --- Places --------------------------------------------------------------------------------------

InputError::Where YamlPlace::where() const {
  if (!source) return {};
  if (source->argument) return {source->name, 0, 0};
  return {source->name, line, column};
}

std::string YamlPlace::excerpt() const {
  if (!source || line < 1 || line > static_cast<int>(source->lines.size())) return {};
  return line_excerpt(source->lines[static_cast<std::size_t>(line - 1)],
                      source->argument ? 0 : line, column);
}

// --- Nodes ---------------------------------------------------------------------------------------

const YamlNode* YamlNode::find(std::string_view key) const {
  for (std::size_t i = 0; i < keys.size(); ++i) {
    if (keys[i] == key) return &children[i];
  }
  return nullptr;
}

YamlNode* YamlNode::find(std::string_view key) {
  return const_cast<YamlNode*>(std::as_const(*this).find(key));
}

std::string YamlNode::shown() const {
  switch (kind) {
    case Kind::null:
      return "nothing";
    case Kind::scalar:
      return text.empty() ? "an empty text" : text;
    case Kind::list:
      return "a list";
    case Kind::map:
      return "a map";
  }
  return {};
}

InputError YamlNode::error(std::string_view field, std::string expected,
                           std::string next_step) const {
  return InputError(place.where(), std::string(field), shown(), std::move(expected),
                    std::move(next_step), place.excerpt());
}

void YamlNode::expect_map(std::string_view field, std::span<const std::string_view> allowed) const {
  if (kind != Kind::map) {
    // "cylinders 8" is a text for the parser.
    const std::string first = text.substr(0, text.find(' '));
    if (std::find(allowed.begin(), allowed.end(), first) != allowed.end()) {
      throw error(field, "a map with the keys " + word_list(allowed),
                  "Is a colon missing behind " + first + "?");
    }
    throw error(field, "a map with the keys " + word_list(allowed),
                kind == Kind::null ? "Remove the key, or write its keys below it, indented."
                                   : "Write its keys below it, indented by two spaces.");
  }
  for (std::size_t i = 0; i < keys.size(); ++i) {
    if (std::find(allowed.begin(), allowed.end(), keys[i]) != allowed.end()) continue;
    const std::string quotes = curly_quotes_advice(keys[i]);
    const std::string near = nearest_name(keys[i], allowed);
    const std::string prefix = field.empty() ? "" : std::string(field) + ".";
    throw InputError(key_places[i].where(), prefix + keys[i], keys[i],
                     "one of the keys " + word_list(allowed),
                     !quotes.empty() ? quotes
                     : near.empty()  ? "Remove the key."
                                     : "Did you mean " + near + "?",
                     key_places[i].excerpt());
  }
}

void YamlNode::expect_list(std::string_view field) const {
  if (kind != Kind::list) {
    throw error(field, "a list", "Write each item in a line of its own, behind \"- \".");
  }
}

const YamlNode& YamlNode::require(std::string_view field, std::string_view key) const {
  const YamlNode* const node = find(key);
  if (node != nullptr) return *node;
  const std::string full = (field.empty() ? "" : std::string(field) + ".") + std::string(key);
  throw InputError(place.where(), full, "", "this key", "Add \"" + std::string(key) + ":\" here.",
                   place.excerpt());
}

bool YamlNode::has_text() const { return kind == Kind::scalar && !text.empty(); }

std::string YamlNode::leave_out(std::string_view remedy) const {
  if (!remedy.empty()) return std::string(remedy);
  return place.source && place.source->table ? "Leave the cell empty if it is not known."
                                             : "Leave the key out if it is not known.";
}

void YamlNode::expect_scalar(std::string_view field, std::string expected) const {
  if (kind == Kind::null) {
    throw error(field, std::move(expected),
                "Write the value, or remove the key if it is not known.");
  }
  if (kind != Kind::scalar || text.empty()) {
    throw error(field, std::move(expected), leave_out({}));
  }
}

std::string YamlNode::as_text(std::string_view field, std::size_t longest) const {
  const std::string expected =
      "a text of at most " + std::to_string(longest) + " printable characters";
  expect_scalar(field, expected);
  std::size_t characters = 0;
  for (std::size_t i = 0; i < text.size(); ++characters) {
    const Utf8Character character = utf8_character(text, i);
    const std::string_view raw = std::string_view(text).substr(i, character.length);
    if (characters >= longest || printable(raw, 12) != raw) {
      throw error(field, expected, "Shorten it, and write it in plain letters and digits.");
    }
    i += character.length;
  }
  return text;
}

double YamlNode::as_number(std::string_view field, const NumberRange& range,
                           std::string_view remedy) const {
  return number(field, range, remedy, false);
}

double YamlNode::number(std::string_view field, const NumberRange& range, std::string_view remedy,
                        bool whole) const {
  // Texts are made where they are needed only: a table has many numbers that are right.
  const auto expected = [&] {
    return number_text(range.low) + " to " + number_text(range.high) +
           (range.what.empty() ? "" : " " + std::string(range.what));
  };
  if (!has_text()) expect_scalar(field, "a plain number, " + expected());
  double number = 0;
  try {
    number = parse_number(text);
  } catch (const QuantityError& problem) {
    std::string next = problem.no_number ? curly_quotes_advice(text) : problem.next_step;
    if (next.empty()) {
      const double middle = 0.5 * (range.low + range.high);
      next = "Write it in plain digits, such as " +
             number_text(whole ? std::min(std::floor(middle), 8.0) : middle, 3) + ".";
    }
    const bool count = whole && problem.no_number;
    throw error(field, (count ? "a whole number" : problem.expected) + ", " + expected(), next);
  }
  if (!(number >= range.low && number <= range.high)) {
    const auto guess = slipped_number(number, range.low, range.high);
    throw error(field, expected(),
                (guess ? did_you_mean(number_text(*guess)) : "") + leave_out(remedy));
  }
  return number;
}

int YamlNode::as_integer(std::string_view field, const NumberRange& range,
                         std::string_view remedy) const {
  const double number = this->number(field, range, remedy, true);
  if (number != std::floor(number)) {
    throw error(field,
                "a whole number, " + number_text(range.low) + " to " + number_text(range.high) +
                    (range.what.empty() ? "" : " " + std::string(range.what)),
                leave_out(remedy));
  }
  return static_cast<int>(number);
}

double YamlNode::as_quantity(std::string_view field, const QuantityRange& range,
                             std::string_view remedy) const {
  const auto range_in = [&](std::string_view unit) {
    const auto bound = [&](double number) {
      return number_text(from_program_unit(to_program_unit(number, range.unit, range.dimension),
                                           unit, range.dimension),
                         4);
    };
    return bound(range.low) + " to " + bound(range.high) + " " + std::string(unit);
  };
  const auto expected_in_unit = [&] {
    std::string expected(range.what);
    return expected + (expected.empty() ? "" : " of ") + range_in(range.unit);
  };
  if (!has_text()) expect_scalar(field, expected_in_unit());

  const auto in_range = [&](double number, std::string_view unit) {
    const double low = to_program_unit(range.low, range.unit, range.dimension);
    const double high = to_program_unit(range.high, range.unit, range.dimension);
    // Bounds are round numbers of one unit, seen from another: a rounding error is no breach.
    const double slack = 1e-12 * std::max(std::fabs(low), std::fabs(high));
    const double candidate = to_program_unit(number, unit, range.dimension);
    return candidate >= low - slack && candidate <= high + slack;
  };
  // The number as it stands, in the first unit of those that one may give it in that suits it.
  const auto in_another_unit = [&](double number) -> std::string {
    std::vector<std::string_view> units{range.unit};
    for (const std::string_view unit : units_beside(range.unit, range.dimension))
      units.push_back(unit);
    for (const std::string_view unit : units) {
      if (in_range(number, unit)) return number_text(number) + " " + std::string(unit);
    }
    return {};
  };

  NumberWithUnit quantity;
  double value = 0;
  bool split = false;
  try {
    quantity = split_quantity(text);
    split = true;
    value = to_program_unit(quantity.number, quantity.unit, range.dimension);
  } catch (const QuantityError& problem) {
    std::string next = problem.next_step;
    if (problem.no_number) {
      next = curly_quotes_advice(text);
      if (next.empty()) {
        next = "Write it in plain digits with its unit, such as " +
               number_text(0.5 * (range.low + range.high), 2) + " " + std::string(range.unit) + ".";
      }
    } else if (split && quantity.unit.empty()) {
      const std::string guess = in_another_unit(quantity.number);
      next = guess.empty() ? "Write the unit as well: " +
                                 word_list(units_beside(range.unit, range.dimension)) + "."
                           : "Write the unit as well, such as \"" + guess + "\".";
    } else if (!problem.meant_unit.empty() && in_range(quantity.number, problem.meant_unit)) {
      next = "Did you mean " + number_text(quantity.number) + " " +
             std::string(problem.meant_unit) + "?";
    }
    throw error(field, expected_in_unit() + ": " + problem.expected, next);
  }
  if (std::isfinite(value) && in_range(quantity.number, quantity.unit)) return value;

  // The right number in another unit, or a slipped sign or decimal point.
  std::string expected = expected_in_unit();
  if (quantity.unit != range.unit) expected += " (" + range_in(quantity.unit) + ")";
  std::string guess = in_another_unit(quantity.number);
  for (const double factor : kSlips) {
    const double number = std::fabs(quantity.number) * factor;
    if (guess.empty() && number != 0.0 && in_range(number, quantity.unit)) {
      guess = number_text(number) + " " + quantity.unit;
    }
  }
  throw error(field, expected, (guess.empty() ? "" : did_you_mean(guess)) + leave_out(remedy));
}

std::size_t YamlNode::as_word(std::string_view field, std::span<const std::string_view> words,
                              std::string_view remedy) const {
  const std::string expected = word_list(words);
  expect_scalar(field, expected);
  const std::string wanted = folded_name(text);
  for (std::size_t i = 0; i < words.size(); ++i) {
    if (folded_name(words[i]) == wanted) return i;
  }
  const TradeWord* const said = trade_word(wanted, words);
  if (said != nullptr && said->same) {
    return static_cast<std::size_t>(std::find(words.begin(), words.end(), said->word) -
                                    words.begin());
  }
  std::string next = said == nullptr ? curly_quotes_advice(text) : std::string(said->advice);
  std::string meant =
      said == nullptr ? word_list(words_with(wanted, words)) : std::string(said->word);
  if (meant.empty()) meant = nearest_name(text, words);
  if (next.empty()) next = meant.empty() ? leave_out(remedy) : "Did you mean " + meant + "?";
  throw error(field, expected, next);
}

bool YamlNode::as_switch(std::string_view field) const {
  constexpr std::array words{"on"sv, "off"sv, "yes"sv, "no"sv, "true"sv, "false"sv};
  return as_word(field, words) % 2 == 0;
}

// --- Reading -------------------------------------------------------------------------------------

YamlNode read_yaml_file(const std::string& path, const YamlLimits& limits) {
  return parse_yaml(read_text_file(path, limits.bytes, "a YAML file"), text_file_name(path),
                    limits);
}

YamlNode parse_yaml(std::string_view text, std::string name, const YamlLimits& limits) {
  check_text_size(text.size(), limits.bytes, name);
  text = without_byte_order_mark(text);
  auto source = std::make_shared<YamlSource>();
  source->name = std::move(name);
  source->lines = split_lines(text);
  YamlNode root = parse(text, source, limits);
  if (root.kind == YamlNode::Kind::null) {
    throw InputError({source->name, 0, 0}, "", "", "keys and values, but the file is empty",
                     "Is this the file you meant?");
  }
  return root;
}

YamlNode parse_yaml_argument(const std::string& argument, std::size_t value_start,
                             std::string name) {
  const YamlLimits limits;
  check_text_size(argument.size(), limits.bytes, name);
  auto source = std::make_shared<YamlSource>();
  source->name = std::move(name);
  source->argument = true;
  source->lines = split_lines(argument);
  // Blanks instead of the key keep every column of the value where it stands in the argument.
  std::string text = argument;
  std::fill_n(text.begin(), std::min(value_start, text.size()), ' ');
  check_text(argument, source);
  YamlNode node = parse(text, source, limits);
  if (node.place.line == 0) node.place = place_at(source, 0, static_cast<int>(value_start));
  return node;
}

// --- Writing -------------------------------------------------------------------------------------

std::string yaml_quoted(std::string_view text, std::size_t indentation) {
  std::string scalar = "\"";
  bool line_begins = false;
  for (std::size_t i = 0; i < text.size();) {
    const Utf8Character character = utf8_character(text, i);
    if (!character.valid) throw std::logic_error("a text to be written is not UTF-8");
    if (line_begins) {
      scalar += "\\\n" + std::string(indentation, ' ');
      // A blank there is taken for indentation.
      if (character.code == ' ') scalar += '\\';
    }
    line_begins = character.code == '\n';
    if (character.code == '\n') {
      scalar += "\\n";
    } else if (character.code == '\t') {
      scalar += "\\t";
    } else if (character.code == '\r') {
      scalar += "\\r";
    } else if (character.code == '"' || character.code == '\\') {
      scalar += {'\\', static_cast<char>(character.code)};
    } else if (character.code == 0xFEFF) {
      scalar += "\\uFEFF";
    } else if (!is_text(character)) {
      constexpr std::string_view kDigits = "0123456789ABCDEF";
      scalar += {'\\', 'x', kDigits[character.code >> 4 & 0xF], kDigits[character.code & 0xF]};
    } else {
      scalar += text.substr(i, character.length);
    }
    i += character.length;
  }
  return scalar + "\"";
}

// --- Names ---------------------------------------------------------------------------------------

std::string curly_quotes_advice(std::string_view text) {
  for (const std::string_view quote :
       {"\u201C"sv, "\u201D"sv, "\u201E"sv, "\u2018"sv, "\u2019"sv}) {
    if (text.starts_with(quote))
      return "Use plain quotes (\") or none: curly ones count as letters.";
  }
  return {};
}

std::string folded_name(std::string_view name) {
  std::string result;
  for (const char c : name) {
    result += c == '-' || c == '_'   ? ' '
              : c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a')
                                     : c;
  }
  return result;
}

std::string nearest_name(std::string_view name, std::span<const std::string_view> candidates) {
  if (name.empty() || name.size() > 60) return {};
  const std::string wanted = folded_name(name);
  // A third of the letters may be wrong, and at least one and at most four.
  const std::size_t near_enough = std::clamp<std::size_t>(wanted.size() / 3, 1, 4);
  std::size_t best = near_enough + 1;
  std::string nearest;
  for (const std::string_view candidate : candidates) {
    const std::size_t distance = edit_distance(wanted, folded_name(candidate));
    if (distance < best) {
      best = distance;
      nearest = std::string(candidate);
    }
  }
  return nearest;
}

std::string word_list(std::span<const std::string_view> words) {
  std::string text;
  for (std::size_t i = 0; i < words.size(); ++i) {
    if (i > 0) text += i + 1 == words.size() ? " or " : ", ";
    text += words[i];
  }
  return text;
}

}  // namespace idlefit
