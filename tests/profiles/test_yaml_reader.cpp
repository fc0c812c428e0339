#include <array>
#include <catch2/catch.hpp>
#include <cstddef>
#include <filesystem>
#include <string>

#include "profiles/yaml_reader.h"

namespace idlefit {
namespace {

using Catch::Contains;

// The error that a text gives, as a whole.
InputError error_of(const std::string& text) {
  try {
    parse_yaml(text, "x.yaml");
  } catch (const InputError& error) {
    return error;
  }
  FAIL("accepted: " << printable(text));
  return {{}, "", "", "", ""};
}

// No message may be long, carry raw control characters, or be invalid UTF-8.
void check_clean(const std::string& message) {
  INFO(message);
  CHECK(message.size() < 1500);
  for (std::size_t i = 0; i < message.size();) {
    const Utf8Character character = utf8_character(message, i);
    CHECK(character.valid);
    CHECK((character.code == '\n' || (is_text(character) && character.code >= 0x20)));
    i += character.length;
  }
}

TEST_CASE("a document becomes a tree with places", "[consistency]") {
  const YamlNode root = parse_yaml("a: 1\nb: {c: two words, d: [x, 'y z']}\n", "x.yaml");
  REQUIRE(root.kind == YamlNode::Kind::map);
  CHECK(root.find("a")->text == "1");
  const YamlNode& b = *root.find("b");
  CHECK(b.find("c")->text == "two words");
  CHECK(b.find("c")->place.line == 2);
  CHECK(b.find("c")->place.column == 8);
  REQUIRE(b.find("d")->children.size() == 2);
  CHECK(b.find("d")->children[1].text == "y z");
  CHECK(root.find("e") == nullptr);
  // Numbers stay text: 010 and .nan are for whoever asks for a number.
  CHECK(parse_yaml("a: 010\n", "x").find("a")->text == "010");
}

TEST_CASE("columns count characters, not bytes", "[consistency]") {
  const YamlNode root = parse_yaml("{\"\xC3\xA9\xC3\xA9\": 1, b: 2}\n", "x.yaml");
  CHECK(root.find("b")->place.column == 14);
}

TEST_CASE("a byte order mark and DOS line ends are no matter", "[consistency]") {
  const YamlNode root = parse_yaml(
      "\xEF\xBB\xBF"
      "a: 1\r\nb: 2\r\n",
      "x.yaml");
  CHECK(root.find("a")->text == "1");
  CHECK(root.find("b")->text == "2");
  CHECK(root.find("b")->place.line == 2);
}

TEST_CASE("what is not one plain document is refused where it stands", "[consistency]") {
  struct Row {
    const char* text;
    int line, column;
    const char* words;
  };
  const Row row = GENERATE(values<Row>({
      {"a: 1\na: 2\n", 2, 1, "line 1"},
      {"a: 1\n'a': 2\n", 2, 1, "once"},
      {"a: 1\n---\nb: 2\n", 2, 1, "one YAML document"},
      {"a: 1\n...\nb: 2\n", 3, 1, "one YAML document"},
      {"a: &x 1\n", 1, 4, "anchors"},
      {"a: *x\n", 1, 4, "aliases"},
      {"a: &x [1]\nb: *x\n", 1, 4, "anchors"},
      {"a: !!int 1\n", 1, 4, "tags"},
      {": 1\n", 1, 1, "key"},
      {"[a]: 1\n", 1, 1, "key"},
      {"a: b: c\n", 1, 5, "colon"},
      {"a:\n\tb: 1\n", 2, 1, "spaces"},
      {"a:\n  \tb: 1\n", 2, 3, "spaces"},
      {"a 1\n\nb: 2\n", 3, 2, "colon missing in line 1?"},
      {"a: x\nb 1\nc: 2\n", 3, 2, "colon missing in line 2?"},
      {"a: {b: 1\n", 2, 1, "Close"},
      {"a: \"b\n", 1, 4, "quote"},
      {"a: 'it''s\nb: 1\n", 1, 4, "quote"},
      {"a: \"\\xZZ\"\n", 1, 9, "YAML"},
      {"a: \"\x01\"\n", 1, 5, "binary"},
      {"a: \x80\n", 1, 4, "another encoding"},
      {"a: Caf\xE9\n", 1, 7, "Latin-1"},
      {"\xFF\xFE"
       "a",
       1, 1, "UTF-16"},
      {"ab: \xC0\xAF\n", 1, 5, "another encoding"},
  }));
  INFO(printable(row.text));
  const InputError error = error_of(row.text);
  CHECK(error.where().source == "x.yaml");
  CHECK(error.where().line == row.line);
  CHECK(error.where().column == row.column);
  CHECK_THAT(error.what(), Contains(row.words));
  CHECK_THAT(error.what(), Contains("expected"));
  check_clean(error.what());
}

TEST_CASE("nesting, size and number of values are limited", "[consistency]") {
  std::string deep_map;
  for (std::size_t i = 0; i < 1200; ++i) deep_map += std::string(i, ' ') + "a:\n";
  const std::string deep_list = std::string(40, '[') + std::string(40, ']');
  CHECK_THAT(error_of(deep_map).what(), Contains("levels of nesting"));
  CHECK_THAT(error_of(deep_list).what(), Contains("levels of nesting"));
  // The parser may complain first, but it must not recurse until it dies.
  for (const char* const piece : {"[", "{a: ", "- ", "? ", "{", "[{", "a: [", "&a ", "! ", "\"",
                                  "%", ": ", ",", "|\n", "- - [", "[a, "}) {
    std::string flood;
    while (flood.size() < 300'000) flood += piece;
    INFO(piece);
    check_clean(error_of(flood).what());
  }
  std::string many;
  for (int i = 0; i < 30'000; ++i) many += "- a\n";
  CHECK_THAT(error_of(many).what(), Contains("20000"));
  CHECK_THAT(error_of(std::string(1'000'001, 'a')).what(), Contains("1 MB"));
  CHECK_NOTHROW(parse_yaml(std::string(999'999, 'a'), "x"));
}

TEST_CASE("nonsense gives one clean message", "[consistency]") {
  std::string nonsense;
  for (int i = 0; i < 400; ++i) nonsense += static_cast<char>((i * 73 + 129) & 0xFF);
  check_clean(error_of("name: \"" + nonsense + "\"\n").what());
  check_clean(error_of(nonsense).what());
  // Escapes inside quotes are text for the parser: whoever reads the value must refuse it.
  const YamlNode root = parse_yaml("a: \"\\u001b[31m\\u202e\\x00\"\n", "x.yaml");
  try {
    root.find("a")->as_text("a", 100);
    FAIL("accepted");
  } catch (const InputError& error) {
    check_clean(error.what());
    CHECK(error.value() == "\\x1b[31m\\u202e\\x00");
  }
}

TEST_CASE("files that cannot be read say why", "[consistency]") {
  const auto folder = std::filesystem::temp_directory_path();
  CHECK_THROWS_WITH(read_yaml_file(folder.string()), Contains("directory"));
  CHECK_THROWS_WITH(read_yaml_file((folder / "no such file.yaml").string()),
                    Contains("existing file"));
  CHECK_THROWS_WITH(parse_yaml("", "x.yaml"), Contains("empty"));
  CHECK_THROWS_WITH(parse_yaml("# only a comment\n", "x.yaml"), Contains("empty"));
  CHECK_THROWS_WITH(parse_yaml("---\n", "x.yaml"), Contains("empty"));
  // UTF-16 without a mark.
  CHECK_THROWS_WITH(parse_yaml(std::string("a\0:\0 \0001\0", 8), "x.yaml"), Contains("UTF-16"));
  CHECK_THROWS_WITH(read_yaml_file("/dev/zero"), Contains("1 MB"));
}

TEST_CASE("values are checked for kind and range", "[consistency]") {
  const YamlNode root = parse_yaml(
      "number: 12\nlist: [1]\nnothing:\nword: single plane\nempty: ''\nswitch: yes\nhalf: 2.5\n",
      "x.yaml");
  const auto at = [&](const char* key) -> const YamlNode& { return *root.find(key); };
  CHECK(at("number").as_number("number", {0, 20, "teeth"}) == 12.0);
  CHECK(at("number").as_integer("number", {0, 20, "teeth"}) == 12);
  CHECK_THROWS_WITH(at("number").as_number("number", {1, 2, "teeth"}),
                    Contains("1 to 2 teeth") && Contains("Did you mean 1.2?"));
  CHECK_THROWS_WITH(at("half").as_integer("half", {0, 20, "teeth"}), Contains("whole number"));
  CHECK_THROWS_WITH(at("list").as_number("list", {0, 20, "teeth"}), Contains("a list"));
  CHECK_THROWS_WITH(at("nothing").as_number("nothing", {0, 20, "teeth"}), Contains("nothing"));
  CHECK_THROWS_WITH(at("empty").as_text("empty", 10), Contains("empty"));
  CHECK_THROWS_WITH(at("word").as_text("word", 5), Contains("at most 5"));
  constexpr std::array<std::string_view, 2> kWords{"dual-plane", "single-plane"};
  CHECK(at("word").as_word("word", kWords) == 1);
  CHECK(at("switch").as_switch("switch"));
  CHECK_THROWS_WITH(at("number").as_switch("number"), Contains("on, off"));
  CHECK_THROWS_WITH(root.require("", "absent"), Contains("absent"));
  CHECK_THROWS_WITH(at("word").as_integer("word", {1, 16, "teeth"}),
                    Contains("a whole number, 1 to 16 teeth") && Contains("such as 8."));
  CHECK_THROWS_WITH(at("word").as_number("word", {90, 130, "teeth"}), Contains("such as 110."));
  constexpr std::array<std::string_view, 2> kKeys{"numbers", "list"};
  CHECK_THROWS_WITH(root.expect_map("", kKeys), Contains("Did you mean numbers?"));
}

TEST_CASE("what else the trade says is taken where it means the same, else asked about",
          "[consistency]") {
  constexpr std::array<std::string_view, 2> kFuels{"gasoline", "e85"}, kGears{"neutral", "drive"};
  constexpr std::array<std::string_view, 3> kLifters{"hydraulic roller", "solid flat",
                                                     "solid roller"};
  const auto word = [](const char* text) {
    YamlNode node;
    node.kind = YamlNode::Kind::scalar;
    node.text = text;
    return node;
  };
  CHECK(word("Petrol").as_word("fuel", kFuels) == 0);
  CHECK(word("park").as_word("gear", kGears) == 0);
  CHECK_THROWS_WITH(word("petrol").as_word("gear", kGears), !Contains("gasoline"));
  CHECK_THROWS_WITH(word("gas").as_word("fuel", kFuels), Contains("Did you mean gasoline?"));
  CHECK_THROWS_WITH(word("Roller").as_word("lifter", kLifters),
                    Contains("Did you mean hydraulic roller or solid roller?"));
  CHECK_THROWS_WITH(word("\u201Cdrive\u201D").as_word("gear", kGears), Contains("plain quotes"));
}

TEST_CASE("near names are found, far ones are not", "[consistency]") {
  constexpr std::array<std::string_view, 4> kNames{"lobe_separation", "lifter", "lash",
                                                   "duration_050"};
  CHECK(nearest_name("lobe_seperation", kNames) == "lobe_separation");
  CHECK(nearest_name("Lobe-Separation", kNames) == "lobe_separation");
  CHECK(nearest_name("lihs", kNames).empty());
  CHECK(nearest_name("lahs", kNames) == "lash");  // two neighbours swapped are one slip
  CHECK(nearest_name("duration_50", kNames) == "duration_050");
  CHECK(nearest_name("bore", kNames).empty());
  CHECK(nearest_name("", kNames).empty());
  CHECK(nearest_name(std::string(400, 'l'), kNames).empty());
}

TEST_CASE("excerpts stay short and mark the place", "[consistency]") {
  const std::string text = "a: " + std::string(300, 'x') + "\n";
  const YamlNode root = parse_yaml(text, "x.yaml");
  const std::string excerpt = root.find("a")->place.excerpt();
  const std::size_t line_end = excerpt.find('\n');
  REQUIRE(line_end != std::string::npos);
  CHECK(line_end < 110);
  // The mark stands under the value's first letter.
  CHECK(excerpt.substr(line_end + 1).find('^') == excerpt.find("xxx"));
}

}  // namespace
}  // namespace idlefit
