#pragma once

#include <cstddef>
#include <memory>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "profiles/input_error.h"
#include "profiles/units.h"

namespace idlefit {

// Strict YAML: one document of maps, lists and scalars, each knowing where it stood. Anchors,
// aliases, tags, duplicate keys, several documents, deep nesting, control characters and oversized
// files are InputErrors; the reader of each kind of file asks for its keys through YamlNode.

/// How large a file may be, and how many keys and values it may hold. The defaults are ample for
/// what is written by hand.
struct YamlLimits {
  std::size_t bytes = 1'000'000;
  std::size_t nodes = 20'000;
};
inline constexpr std::size_t kYamlDepthMax = 16;

/// The text that nodes point into, kept for excerpts.
struct YamlSource {
  std::string name;  ///< file name as given, or "--set:2"
  std::vector<std::string> lines;
  bool argument = false;  ///< a command-line argument: places carry no line and column
  bool table = false;     ///< cells of a table, which may be left empty
};

/// A place in a source. Line and column count from 1; the column counts characters.
struct YamlPlace {
  std::shared_ptr<const YamlSource> source;
  int line = 0, column = 0;

  InputError::Where where() const;
  /// The line with a mark under the column, printable and cut around it; empty without a line.
  std::string excerpt() const;
};

/// What a plain number may be: range included, and what it is in plain words ("crank degrees").
struct NumberRange {
  double low, high;
  std::string_view what;
};

/// What a quantity may be: range in `unit`, and what it is in plain words ("cylinder bore").
struct QuantityRange {
  Dimension dimension;
  double low, high;
  std::string_view unit;
  std::string_view what;
};

/// One node of a document. Every accessor takes the node's dotted key for messages and throws
/// InputError naming place, value, what was expected and a next step.
class YamlNode {
 public:
  enum class Kind { null, scalar, list, map };

  Kind kind = Kind::null;
  YamlPlace place;
  std::string text;                   ///< of a scalar, quotes and escapes resolved
  std::vector<std::string> keys;      ///< of a map, in order
  std::vector<YamlPlace> key_places;  ///< of a map, where each key stands
  std::vector<YamlNode> children;     ///< values of a map or items of a list

  /// The value of a key of a map; nullptr where there is none.
  const YamlNode* find(std::string_view key) const;
  YamlNode* find(std::string_view key);

  /// Requires a map whose keys are all `allowed`; the first unknown one is an error with the
  /// nearest allowed name.
  void expect_map(std::string_view field, std::span<const std::string_view> allowed) const;
  void expect_list(std::string_view field) const;
  /// The value of a key of a map; an error where it is missing.
  const YamlNode& require(std::string_view field, std::string_view key) const;

  /// Text of a scalar: not empty, at most `longest` characters, all printable.
  std::string as_text(std::string_view field, std::size_t longest) const;
  /// A plain number within a range. `remedy` is the next step where no better guess exists.
  double as_number(std::string_view field, const NumberRange& range,
                   std::string_view remedy = {}) const;
  int as_integer(std::string_view field, const NumberRange& range,
                 std::string_view remedy = {}) const;
  /// A number with its unit within a range, in the program's unit (profiles/units.h).
  double as_quantity(std::string_view field, const QuantityRange& range,
                     std::string_view remedy = {}) const;
  /// One of some words, its index; upper case, hyphens and underscores do not matter, and what the
  /// trade says for exactly the same serves too (profiles/trade_words.h).
  std::size_t as_word(std::string_view field, std::span<const std::string_view> words,
                      std::string_view remedy = {}) const;
  bool as_switch(std::string_view field) const;  ///< on, off, yes, no, true, false

  /// An InputError about this node. `expected` and `next_step` as in InputError.
  InputError error(std::string_view field, std::string expected, std::string next_step) const;

 private:
  double number(std::string_view field, const NumberRange& range, std::string_view remedy,
                bool whole) const;
  bool has_text() const;
  /// What to do with a value that is not known; `remedy` where a key has better advice.
  std::string leave_out(std::string_view remedy) const;
  void expect_scalar(std::string_view field, std::string expected) const;
  std::string shown() const;
};

/// Reads a YAML file; "-" is standard input. Throws InputError for a file that is missing, a
/// directory, empty, larger than the limits, not text, or not one plain YAML document.
YamlNode read_yaml_file(const std::string& path, const YamlLimits& limits = {});

/// Parses a text as if it were a file of this name.
YamlNode parse_yaml(std::string_view text, std::string name, const YamlLimits& limits = {});

/// Parses the value of a command-line argument, text behind `value_start` bytes of `argument`.
YamlNode parse_yaml_argument(const std::string& argument, std::size_t value_start,
                             std::string name);

/// A text as one YAML scalar in double quotes. Each of its lines begins a line of the file,
/// indented by so many blanks, so that it can still be read. Throws std::logic_error for what is
/// not UTF-8.
std::string yaml_quoted(std::string_view text, std::size_t indentation = 0);

/// The candidate nearest to a name by edit distance (insertions, deletions, replacements and swaps
/// of neighbours), ignoring case, hyphens and underscores; empty where none is near enough to be
/// meant.
std::string nearest_name(std::string_view name, std::span<const std::string_view> candidates);

/// What to do about a value or key that begins with the quotes of a word processor; empty where it
/// does not.
std::string curly_quotes_advice(std::string_view text);

/// A name in lower case, with blanks for hyphens and underscores.
std::string folded_name(std::string_view name);

/// "a, b or c".
std::string word_list(std::span<const std::string_view> words);

}  // namespace idlefit
