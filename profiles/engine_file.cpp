#include "profiles/engine_file.h"

#include <algorithm>
#include <memory>
#include <string_view>
#include <utility>

#include "profiles/engine_check.h"
#include "profiles/engine_keys.h"
#include "profiles/trade_words.h"
#include "profiles/yaml_reader.h"

namespace idlefit {
namespace {

std::string joined(std::string_view path, std::string_view name) {
  return path.empty() ? std::string(name) : std::string(path) + "." + std::string(name);
}

// Whether {intake, exhaust} may stand at a path, and a bare value be the intake's.
bool is_pair(std::string_view path) {
  const auto names = keys_below(path);
  return names.size() == 2 && names[0] == "intake" && names[1] == "exhaust";
}

// All keys and sections, dotted.
std::vector<std::string> all_paths() {
  std::vector<std::string> paths;
  for (const EngineKey& key : engine_keys()) {
    const std::string path(key.path);
    for (std::size_t dot = path.find('.'); dot != std::string::npos;
         dot = path.find('.', dot + 1)) {
      const std::string section = path.substr(0, dot);
      if (std::find(paths.begin(), paths.end(), section) == paths.end()) paths.push_back(section);
    }
    paths.push_back(path);
  }
  return paths;
}

std::string last_name(std::string_view path) {
  return std::string(path.substr(path.rfind('.') + 1));
}

// The dotted key meant by an unknown one: the same name elsewhere, or the nearest, of its section
// where that is one.
std::string meant_key(std::string_view path) {
  const std::vector<std::string> paths = all_paths();
  for (const std::string& known : paths) {
    if (last_name(known) == last_name(path)) return known;
  }
  const std::size_t dot = path.rfind('.');
  if (dot != std::string_view::npos) {
    const std::string_view section = path.substr(0, dot);
    const auto names = keys_below(section);
    const std::string near = nearest_name(last_name(path), names);
    if (!names.empty()) return near.empty() ? near : joined(section, near);
  }
  const std::vector<std::string_view> names(paths.begin(), paths.end());
  return nearest_name(path, names);
}

// A sentence on an unknown key; `otherwise` where nothing near is known.
std::string key_advice(std::string_view path, std::string_view otherwise) {
  if (std::string quotes = curly_quotes_advice(path); !quotes.empty()) return quotes;
  if (const auto advice = trade_key_advice(folded_name(last_name(path))); !advice.empty())
    return std::string(advice);
  const std::string meant = meant_key(path);
  return meant.empty() ? std::string(otherwise) : "Did you mean " + meant + "?";
}

// Makes a map of "230/236", as cam cards and people write a pair. A fraction is none: what is
// meant by a pair has three digits or a point in both halves.
void split_pairs(YamlNode& node, std::string_view path) {
  if (node.kind == YamlNode::Kind::map) {
    for (std::size_t i = 0; i < node.keys.size(); ++i)
      split_pairs(node.children[i], joined(path, node.keys[i]));
    return;
  }
  const std::size_t slash = node.text.find('/');
  if (node.kind != YamlNode::Kind::scalar || !is_pair(path) || slash == std::string::npos) return;
  NumberWithUnit intake, exhaust;
  try {
    intake = split_quantity(std::string_view(node.text).substr(0, slash));
    exhaust = split_quantity(std::string_view(node.text).substr(slash + 1));
  } catch (const QuantityError&) {
    return;  // whoever reads it says what is wrong
  }
  const auto half_of_pair = [](std::string_view text) {
    return text.find('.') != std::string_view::npos ||
           std::count_if(text.begin(), text.end(), [](char c) { return c >= '0' && c <= '9'; }) > 2;
  };
  if (!half_of_pair(std::string_view(node.text).substr(0, slash)) ||
      !half_of_pair(std::string_view(node.text).substr(slash + 1)))
    return;
  YamlNode first = node, second = node;
  first.text = node.text.substr(0, slash);
  if (intake.unit.empty() && !exhaust.unit.empty()) first.text += " " + exhaust.unit;
  second.text = node.text.substr(slash + 1);
  node.kind = YamlNode::Kind::map;
  node.text.clear();
  node.keys = {"intake", "exhaust"};
  node.key_places = {node.place, node.place};
  node.children = {std::move(first), std::move(second)};
}

// Refuses unknown keys and wrong kinds below a node that stands at a dotted path; values are read
// later.
void check_structure(const YamlNode& node, std::string_view path) {
  const auto names = keys_below(path);
  if (names.empty()) return;  // a value
  if (is_pair(path) && node.kind == YamlNode::Kind::scalar) return;
  if (is_pair(path) && node.kind != YamlNode::Kind::map) {
    throw node.error(path, "a value, or {intake: ..., exhaust: ...}",
                     "Remove the key if it is not known.");
  }
  if (node.kind == YamlNode::Kind::map) {
    for (std::size_t i = 0; i < node.keys.size(); ++i) {
      const std::string_view key = node.keys[i];
      if (std::find(names.begin(), names.end(), key) != names.end()) continue;
      if (!nearest_name(key, names).empty()) continue;  // expect_map says which is near
      throw InputError(node.key_places[i].where(), joined(path, key), std::string(key),
                       "one of the keys " + word_list(names),
                       key_advice(joined(path, key), "Remove the key."),
                       node.key_places[i].excerpt());
    }
  }
  node.expect_map(path, names);
  for (std::size_t i = 0; i < node.keys.size(); ++i) {
    check_structure(node.children[i], joined(path, node.keys[i]));
  }
}

// Puts a value at a dotted path, making the sections on the way.
void put(YamlNode& root, std::string_view path, YamlNode value) {
  YamlNode* node = &root;
  std::string walked;
  while (!path.empty()) {
    const std::size_t dot = path.find('.');
    const std::string name(path.substr(0, dot));
    path = dot == std::string_view::npos ? std::string_view() : path.substr(dot + 1);
    if (node->kind != YamlNode::Kind::map) {
      // A bare value where a pair may stand is the intake's.
      YamlNode map;
      map.kind = YamlNode::Kind::map;
      map.place = node->place;
      map.keys = {"intake"};
      map.key_places = {node->place};
      map.children.push_back(std::move(*node));
      *node = std::move(map);
    }
    YamlNode* next = node->find(name);
    if (next == nullptr) {
      YamlNode section;
      section.kind = YamlNode::Kind::map;
      section.place = value.place;
      node->keys.push_back(name);
      node->key_places.push_back(value.place);
      node->children.push_back(std::move(section));
      next = &node->children.back();
    }
    walked = joined(walked, name);
    node = next;
  }
  *node = std::move(value);
}

void apply_set(YamlNode& root, const std::string& argument, std::size_t number) {
  const std::string name = "--set:" + std::to_string(number);
  const std::size_t equals = argument.find('=');
  const std::string path = argument.substr(0, equals);
  if (equals == std::string::npos || path.empty()) {
    throw InputError({name, 0, 0}, "", argument, "key=value, such as cam.lobe_separation=110",
                     "Write the key as in the engine file, with dots, then = and the value.");
  }
  YamlNode value = parse_yaml_argument(argument, equals + 1, name);
  const std::vector<std::string> paths = all_paths();
  if (std::find(paths.begin(), paths.end(), path) == paths.end()) {
    YamlPlace place = value.place;
    place.column = 1;
    throw InputError(place.where(), path, path, "a key of the engine file",
                     key_advice(path,
                                "Write it as in the engine file, with dots, such as "
                                "cam.lobe_separation=110."),
                     place.excerpt());
  }
  split_pairs(value, path);
  check_structure(value, path);
  put(root, path, std::move(value));
}

// The node at a dotted path, nullptr where nothing stands; `nearest` is the deepest on the way.
const YamlNode* find_path(const YamlNode& root, std::string_view path, const YamlNode*& nearest) {
  const YamlNode* node = &root;
  nearest = node;
  while (!path.empty()) {
    const std::size_t dot = path.find('.');
    const std::string_view name = path.substr(0, dot);
    path = dot == std::string_view::npos ? std::string_view() : path.substr(dot + 1);
    if (node->kind != YamlNode::Kind::map) return name == "intake" ? node : nullptr;
    node = node->find(name);
    if (node == nullptr) return nullptr;
    nearest = node;
  }
  return node;
}

// Every value that stands in a tree, read.
EngineCard card_of(const YamlNode& root) {
  EngineCard card;
  const YamlNode* nearest = nullptr;
  for (const EngineKey& key : engine_keys()) {
    const YamlNode* const node = find_path(root, key.path, nearest);
    if (node == nullptr) continue;
    key.read(card, *node);
    card.where[std::string(key.path)] = node->place.where();
  }
  return card;
}

}  // namespace

EngineCard parse_engine_card(std::string_view text, const std::string& name) {
  YamlNode root = parse_yaml(text, name);
  split_pairs(root, "");
  check_structure(root, "");
  return card_of(root);
}

EngineCard read_engine_card(const std::string& path, const std::vector<std::string>& sets) {
  YamlNode root;
  root.kind = YamlNode::Kind::map;
  if (!path.empty()) {
    root = read_yaml_file(path);
    split_pairs(root, "");
    check_structure(root, "");
  } else {
    auto source = std::make_shared<YamlSource>();
    source->name = sets.empty() ? "no engine file" : "--set";
    source->argument = true;
    root.place.source = source;
  }
  for (std::size_t i = 0; i < sets.size(); ++i) apply_set(root, sets[i], i + 1);

  EngineCard card = card_of(root);
  check_card(card, [&](std::string_view key) {
    const YamlNode* close = nullptr;
    const YamlNode* const node = find_path(root, key, close);
    const YamlPlace& place = node != nullptr ? node->place : close->place;
    // What lacks a section is pointed at as a whole, not at its first line or at one override.
    if (node == nullptr && (close == &root || place.source->argument)) {
      return KeyPlace{{root.place.source->name, 0, 0}, ""};
    }
    return KeyPlace{place.where(), place.excerpt()};
  });
  return card;
}

std::string write_engine_card(const EngineCard& card) {
  std::string text;
  std::string section;     // "engine", open at two spaces
  std::string inline_map;  // "engine.valves", open in braces
  const auto close_inline_map = [&] {
    if (!inline_map.empty()) text += "}\n";
    inline_map.clear();
  };
  for (const EngineKey& key : engine_keys()) {
    const std::string value = key.write(card);
    if (value.empty()) continue;
    const std::string path(key.path);
    const std::size_t first = path.find('.'), last = path.rfind('.');
    if (first == std::string::npos) {
      text.append(path).append(": ").append(value).append("\n");
      continue;
    }
    if (path.substr(0, first) != section) {
      close_inline_map();
      section = path.substr(0, first);
      text += section + ":\n";
    }
    if (first == last) {
      close_inline_map();
      text += "  " + path.substr(first + 1) + ": " + value + "\n";
      continue;
    }
    const std::string parent = path.substr(0, last);
    if (parent != inline_map) {
      close_inline_map();
      inline_map = parent;
      text += "  " + parent.substr(first + 1) + ": {";
    } else {
      text += ", ";
    }
    text += path.substr(last + 1) + ": " + value;
  }
  close_inline_map();
  return text;
}

}  // namespace idlefit
