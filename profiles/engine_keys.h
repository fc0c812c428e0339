#pragma once

#include <functional>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "profiles/engine_file.h"
#include "profiles/yaml_reader.h"

namespace idlefit {

/// One key of the engine file: how it is read into a card and written from it. The one table of
/// keys; nothing else knows their names, ranges and units.
struct EngineKey {
  std::string_view path;  ///< dotted, e.g. "cam.duration_050.intake"
  std::function<void(EngineCard&, const YamlNode&)> read;
  /// The value as it stands in a file; empty where the card does not have it.
  std::function<std::string(const EngineCard&)> write;
  /// Of a number with a unit; empty for plain numbers, words and names.
  std::optional<QuantityRange> range = std::nullopt;
};

/// All keys in the order in which a file is written.
const std::vector<EngineKey>& engine_keys();

/// The value of a key of a card as text, empty where it is not given or there is no such key.
std::string key_text(const EngineCard& card, std::string_view path);

/// The names that may stand below a dotted path ("" for the top of the file), in order.
std::vector<std::string_view> keys_below(std::string_view path);

}  // namespace idlefit
