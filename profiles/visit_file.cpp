#include "profiles/visit_file.h"

#include <algorithm>
#include <array>
#include <functional>
#include <type_traits>
#include <utility>

#include "profiles/engine_check.h"
#include "profiles/units.h"
#include "profiles/yaml_reader.h"

namespace idlefit {
namespace {

using namespace std::string_view_literals;

// --- The one table of keys -----------------------------------------------------------------------

struct VisitKey {
  std::string_view path, example, what;
  std::function<void(Visit&, const YamlNode&)> read;
};

#define VISIT_FIELD(member) \
  [](Visit & visit) -> auto& { return visit.member; }

template <class Field>
VisitKey number(std::string_view path, std::string_view example, std::string_view what,
                const NumberRange& range, Field field) {
  return {path, example, what,
          [=](Visit& visit, const YamlNode& node) { field(visit) = node.as_number(path, range); }};
}

template <class Field>
VisitKey quantity(std::string_view path, std::string_view example, std::string_view what,
                  const QuantityRange& range, Field field, std::string_view remedy = {}) {
  return {path, example, what, [=](Visit& visit, const YamlNode& node) {
            field(visit) = node.as_quantity(path, range, remedy);
          }};
}

// Words in the order of the enumeration that they name.
template <class Field, std::size_t n>
VisitKey word(std::string_view path, std::string_view example, std::string_view what,
              const std::array<std::string_view, n>& words, Field field) {
  return {path, example, what, [=](Visit& visit, const YamlNode& node) {
            using Enum = typename std::remove_reference_t<decltype(field(visit))>::value_type;
            field(visit) = static_cast<Enum>(node.as_word(path, words));
          }};
}

template <class Field>
VisitKey on_off(std::string_view path, std::string_view example, std::string_view what,
                Field field) {
  return {path, example, what,
          [=](Visit& visit, const YamlNode& node) { field(visit) = node.as_switch(path); }};
}

constexpr std::array kLooks{"not done"sv, "clear"sv, "found"sv};
constexpr std::array kSprays{"not done"sv, "all"sv, "some"sv};
constexpr std::array kGears{"neutral"sv, "drive"sv};
constexpr std::array kTaps{"plenum"sv, "single runner"sv, "ported"sv};
constexpr std::array kNeedles{"steady"sv,     "regular drop"sv,  "occasional drop"sv,
                              "fast swing"sv, "growing swing"sv, "slow drift"sv};
constexpr std::array kAdvances{"none"sv, "manifold"sv, "ported"sv};

constexpr QuantityRange kSpeed{Dimension::speed, 350.0, 2500.0, "rpm", "an idle speed"};
constexpr QuantityRange kVacuum{Dimension::pressure, 0.0, 29.0, "inHg", "a manifold vacuum"};
constexpr QuantityRange kMap{Dimension::pressure, 10.0, 110.0, "kPa",
                             "an absolute manifold pressure"};
constexpr QuantityRange kStation{Dimension::pressure, 16.0, 32.0, "inHg",
                                 "a station pressure, absolute,"};
constexpr QuantityRange kFuelPressure{Dimension::pressure, 0.0, 150.0, "psi",
                                      "a fuel pressure (gauge)"};
constexpr NumberRange kSpark{-15.0, 60.0, "crank degrees before top dead centre"};
constexpr NumberRange kCorrection{-50.0, 50.0, "percent of fuel added"};
constexpr std::string_view kVacuumRemedy =
    "Give what a vacuum gauge shows, not the absolute manifold pressure.";
constexpr std::string_view kStationRemedy =
    "Give the absolute pressure at the place itself, not a weather report's.";

std::vector<VisitKey> make_keys() {
  return {
      {"car", "Two-door with a street cam", "which car, in your words",
       [](Visit& visit, const YamlNode& node) { visit.car = node.as_text("car", 100); }},

      word("inspection.fuel_leaks", "clear", "not done, clear, or found", kLooks,
           VISIT_FIELD(inspection.fuel_leaks)),
      word("inspection.wiring", "clear", "off exhaust and ignition leads: likewise", kLooks,
           VISIT_FIELD(inspection.wiring)),
      word("inspection.injectors", "all", "seen to spray: not done, all, some", kSprays,
           VISIT_FIELD(inspection.injectors)),
      word("inspection.exhaust_leaks", "clear", "ahead of the oxygen sensor: likewise", kLooks,
           VISIT_FIELD(inspection.exhaust_leaks)),

      quantity("idle.coolant", "92 degC", "coolant temperature",
               {Dimension::temperature, -40.0, 150.0, "degC", "a coolant temperature"},
               VISIT_FIELD(idle.coolant_K)),
      quantity("idle.speed", "790 rpm", "as seen", kSpeed, VISIT_FIELD(idle.speed_rpm)),
      quantity("idle.speed_asked", "780 rpm", "what the control aims at", kSpeed,
               VISIT_FIELD(idle.speed_asked_rpm)),
      word("idle.gear", "neutral", "or drive: wheels blocked, brake set", kGears,
           VISIT_FIELD(idle.gear)),
      on_off("idle.fans", "off", "electric fans, while the idle was read", VISIT_FIELD(idle.fans)),
      on_off("idle.air_conditioning", "off", "likewise", VISIT_FIELD(idle.air_conditioning)),
      quantity("idle.battery", "14.1 V", "engine running",
               {Dimension::voltage, 6.0, 18.0, "V", "a battery voltage"},
               VISIT_FIELD(idle.battery_V)),
      quantity("idle.speed_air_conditioning", "820 rpm", "idle speed with it on", kSpeed,
               VISIT_FIELD(idle.speed_air_conditioning_rpm)),
      quantity("idle.speed_in_gear", "690 rpm", "idle speed in drive", kSpeed,
               VISIT_FIELD(idle.speed_in_gear_rpm)),

      quantity("manifold.vacuum", "14.2 inHg", "at that idle, by a gauge", kVacuum,
               VISIT_FIELD(manifold.vacuum_Pa), kVacuumRemedy),
      quantity("manifold.map", "49.9 kPa", "the same as logged, absolute", kMap,
               VISIT_FIELD(manifold.map_Pa), "Give the absolute pressure, not a vacuum."),
      quantity("manifold.barometer", "29.0 inHg", "station pressure, on the spot", kStation,
               VISIT_FIELD(manifold.barometer_Pa), kStationRemedy),
      quantity("manifold.key_on_map", "98.1 kPa", "manifold sensor, key on, engine off", kStation,
               VISIT_FIELD(manifold.key_on_map_Pa), kStationRemedy),
      word("manifold.tap", "plenum", "or single runner, or ported", kTaps,
           VISIT_FIELD(manifold.tap)),
      word("manifold.needle", "steady", "or another word of docs/visit-file.md", kNeedles,
           VISIT_FIELD(manifold.needle)),
      quantity("manifold.swing", "0 inHg", "of the needle, highest less lowest",
               {Dimension::pressure, 0.0, 29.0, "inHg", "a needle's swing"},
               VISIT_FIELD(manifold.swing_Pa)),
      quantity("manifold.vacuum_revved", "18.0 inHg", "held at 2500 to 3000 rpm, no load", kVacuum,
               VISIT_FIELD(manifold.vacuum_revved_Pa), kVacuumRemedy),
      quantity("manifold.snap_low", "1 inHg", "throttle snapped open: the lowest", kVacuum,
               VISIT_FIELD(manifold.snap_low_Pa), kVacuumRemedy),
      quantity("manifold.snap_high", "22 inHg", "and closed again: the highest", kVacuum,
               VISIT_FIELD(manifold.snap_high_Pa), kVacuumRemedy),
      quantity("manifold.map_at_1500", "36 kPa", "at 1500 rpm, no load", kMap,
               VISIT_FIELD(manifold.map_at_1500_Pa)),

      on_off("spark.mark_verified", "yes", "timing mark against true top dead centre",
             VISIT_FIELD(spark.mark_verified)),
      number("spark.base", "15", "crank degrees, vacuum advance off", kSpark,
             VISIT_FIELD(spark.base_deg)),
      number("spark.idle", "15", "at idle, all advance included", kSpark,
             VISIT_FIELD(spark.idle_deg)),
      number("spark.total", "32", "near 3000 rpm, vacuum advance off", kSpark,
             VISIT_FIELD(spark.total_deg)),
      word("spark.vacuum_advance", "none", "its source: none, manifold, ported", kAdvances,
           VISIT_FIELD(spark.vacuum_advance)),

      quantity("fuel.pressure_expected", "43 psi", "what the regulator is to hold", kFuelPressure,
               VISIT_FIELD(fuel.expected_Pa)),
      quantity("fuel.pressure", "43.2 psi", "at idle, reference off and plugged", kFuelPressure,
               VISIT_FIELD(fuel.reference_off_Pa)),
      on_off("fuel.steady", "yes", "whether that holds still", VISIT_FIELD(fuel.steady)),
      quantity("fuel.pressure_revved", "42.8 psi", "the same, engine revved", kFuelPressure,
               VISIT_FIELD(fuel.revved_Pa)),
      quantity("fuel.pressure_reference_on", "36.3 psi", "at idle, vacuum reference on",
               kFuelPressure, VISIT_FIELD(fuel.reference_on_Pa)),
      quantity("fuel.flow", "0.52 g/s", "at idle, whole engine",
               {Dimension::mass_flow, 0.02, 10.0, "g/s", "an idle fuel flow"},
               VISIT_FIELD(fuel.flow_kg_s)),

      number("air.idle_air", "7", "idle-air valve, counts off its seat",
             {0.0, 320.0, "counts off the seat"}, VISIT_FIELD(air.idle_air_counts)),
      quantity("air.throttle_closed", "0.62 V", "throttle sensor, throttle on its stop",
               {Dimension::voltage, 0.0, 5.5, "V", "a throttle sensor's reading"},
               VISIT_FIELD(air.throttle_closed_V)),
      on_off("air.throttle_recorded", "yes", "recorded again after the stop was set",
             VISIT_FIELD(air.throttle_recorded)),
      quantity("air.flow", "7.2 g/s", "at idle, whole engine",
               {Dimension::mass_flow, 0.3, 80.0, "g/s", "an idle air flow"},
               VISIT_FIELD(air.flow_kg_s)),

      quantity("mixture.reading", "0.95 lambda", "at idle",
               {Dimension::mixture, 0.60, 1.40, "lambda", "a mixture"},
               VISIT_FIELD(mixture.lambda)),
      on_off("mixture.closed_loop", "on", "whether the control corrects by it",
             VISIT_FIELD(mixture.closed_loop)),
      number("mixture.correction", "3", "% of fuel added; minus: taken", kCorrection,
             VISIT_FIELD(mixture.correction_percent)),
      number("mixture.correction_at_1500", "2", "the same at 1500 to 2000 rpm", kCorrection,
             VISIT_FIELD(mixture.correction_at_1500_percent)),

      {"cranking", "[152 psi, 150 psi, 148 psi, 151 psi]", "pressure, each cylinder",
       [](Visit& visit, const YamlNode& node) {
         constexpr std::size_t kCylindersMost = 16;
         node.expect_list("cranking");
         if (node.children.empty() || node.children.size() > kCylindersMost)
           throw node.error("cranking", "1 to 16 pressures", "Give one for each cylinder.");
         for (const YamlNode& item : node.children) {
           visit.cranking_Pa.push_back(item.as_quantity(
               "cranking", {Dimension::pressure, 0.0, 400.0, "psi", "a cranking pressure"}));
         }
       }},
  };
}

#undef VISIT_FIELD

const std::vector<VisitKey>& visit_keys() {
  static const std::vector<VisitKey> keys = make_keys();
  return keys;
}

std::string_view section_of(std::string_view path) {
  const std::size_t dot = path.find('.');
  return dot == std::string_view::npos ? std::string_view() : path.substr(0, dot);
}
std::string_view name_of(std::string_view path) {
  const std::size_t dot = path.find('.');
  return dot == std::string_view::npos ? path : path.substr(dot + 1);
}

// --- What may not stand together -----------------------------------------------------------------

std::string pressure_words(double pressure_Pa) {
  return number_text(from_program_unit(pressure_Pa, "kPa", Dimension::pressure), 4) + " kPa (" +
         number_text(from_program_unit(pressure_Pa, "inHg", Dimension::pressure), 3) + " inHg)";
}

class Contradictions {
 public:
  Contradictions(const Visit& visit, const YamlNode& root) : visit_(visit), root_(root) {}

  void check() const {
    const auto& m = visit_.manifold;
    if (m.barometer_Pa && m.key_on_map_Pa &&
        std::abs(*m.barometer_Pa - *m.key_on_map_Pa) > 2 * kGaugesAgree_Pa) {
      fail("manifold.key_on_map",
           "a pressure near the barometer of " + pressure_words(*m.barometer_Pa) +
               ", as nothing is drawn before the start",
           "Read both again, on the spot; leave out the one that cannot be trusted.");
    }
    const auto station_Pa = visit_.station_Pa();
    if (station_Pa) check_against(*station_Pa);
    if (m.vacuum_Pa && m.map_Pa && !station_Pa) {
      fail("manifold.map", "a barometer or key-on MAP beside vacuum and MAP, to compare them by",
           "Add manifold.barometer, or leave out one of the two.");
    }
    if (m.needle == Visit::Needle::steady && m.swing_Pa && *m.swing_Pa > kGaugesAgree_Pa) {
      fail("manifold.swing", "hardly any swing of a needle that is called steady",
           "Say what the needle does in manifold.needle, or leave the swing out.");
    }
    if (m.snap_low_Pa && m.snap_high_Pa && *m.snap_low_Pa >= *m.snap_high_Pa) {
      fail("manifold.snap_low", "less than manifold.snap_high",
           "The lowest vacuum is that of the open throttle.");
    }
  }

 private:
  void check_against(double station_Pa) const {
    const auto& m = visit_.manifold;
    const auto vacuum = [&](std::string_view key, const Visit::Maybe<double>& vacuum_Pa) {
      if (!vacuum_Pa || *vacuum_Pa <= station_Pa - kLeastIdleMap_Pa) return;
      fail(key,
           "less than " + pressure_words(station_Pa - kLeastIdleMap_Pa) + " at a barometer of " +
               pressure_words(station_Pa),
           "No engine leaves less than 10 kPa in its manifold: is it an absolute pressure?");
    };
    vacuum("manifold.vacuum", m.vacuum_Pa);
    vacuum("manifold.vacuum_revved", m.vacuum_revved_Pa);
    vacuum("manifold.snap_high", m.snap_high_Pa);
    if (m.map_Pa && *m.map_Pa > station_Pa + kGaugesAgree_Pa) {
      fail("manifold.map", "no more than the barometer of " + pressure_words(station_Pa),
           "An idling engine draws below it: read both again.");
    }
    if (m.vacuum_Pa && m.map_Pa &&
        std::abs(station_Pa - *m.vacuum_Pa - *m.map_Pa) > kGaugesAgree_Pa) {
      fail("manifold.map",
           "about " + pressure_words(station_Pa - *m.vacuum_Pa) +
               ", which the vacuum leaves of a barometer of " + pressure_words(station_Pa),
           "Read both again at the same moment; leave out the one that cannot be trusted.");
    }
  }

  [[noreturn]] void fail(std::string_view path, std::string expected, std::string next) const {
    const YamlNode* const section = root_.find(section_of(path));
    throw section->find(name_of(path))->error(path, std::move(expected), std::move(next));
  }

  const Visit& visit_;
  const YamlNode& root_;
};

Visit visit_of(const YamlNode& root) {
  std::vector<std::string_view> top;
  for (const VisitKey& key : visit_keys()) {
    const std::string_view section = section_of(key.path);
    const std::string_view name = section.empty() ? key.path : section;
    if (std::find(top.begin(), top.end(), name) == top.end()) top.push_back(name);
  }
  root.expect_map("", top);
  for (std::size_t i = 0; i < root.keys.size(); ++i) {
    std::vector<std::string_view> below;
    for (const VisitKey& key : visit_keys()) {
      if (section_of(key.path) == root.keys[i]) below.push_back(name_of(key.path));
    }
    if (!below.empty()) root.children[i].expect_map(root.keys[i], below);
  }
  Visit visit;
  for (const VisitKey& key : visit_keys()) {
    const std::string_view section = section_of(key.path);
    const YamlNode* const parent = section.empty() ? &root : root.find(section);
    const YamlNode* const node = parent == nullptr ? nullptr : parent->find(name_of(key.path));
    if (node == nullptr) continue;
    key.read(visit, *node);
    visit.where[std::string(key.path)] = node->place.where();
  }
  Contradictions(visit, root).check();
  return visit;
}

}  // namespace

Visit read_visit(const std::string& path) { return visit_of(read_yaml_file(path)); }

Visit parse_visit(std::string_view text, const std::string& name) {
  return visit_of(parse_yaml(text, name));
}

std::string visit_template() { return visit_template({}, {}); }

std::string visit_template(const std::vector<VisitEntry>& filled, std::string_view from) {
  std::string text =
      "## What was read on one car at one visit, for idlefit check. Invented readings:\n"
      "## write your own and take \"# \" from the front of the line; leave out what was\n"
      "## not read. A number with a dimension carries its unit; crank degrees, percent\n"
      "## and counts do not. Caution: fuel under pressure, carbon monoxide, moving\n"
      "## belts, hot exhaust; wheels blocked and brake set in gear. The service manual,\n"
      "## local codes and licensed practice come first.\n";
  if (!filled.empty())
    text += "## Not invented, without \"# \" in front: " + std::string(from) + "\n";
  const auto value_of = [&](std::string_view path) -> const std::string* {
    for (const VisitEntry& entry : filled) {
      if (entry.key == path) return &entry.value;
    }
    return nullptr;
  };
  std::string section;
  for (const VisitKey& key : visit_keys()) {
    if (section_of(key.path) != section) {
      section = section_of(key.path);
      const bool opened = std::any_of(filled.begin(), filled.end(), [&](const VisitEntry& entry) {
        return section_of(entry.key) == section;
      });
      if (!section.empty()) text += (opened ? "" : "# ") + section + ":\n";
    }
    const std::string* const value = value_of(key.path);
    std::string line = (value != nullptr ? "" : "# ") + std::string(section.empty() ? "" : "  ") +
                       std::string(name_of(key.path)) + ": " +
                       (value != nullptr ? *value : std::string(key.example));
    line.resize(std::max<std::size_t>(line.size() + 1, 37), ' ');
    text += line + "# " + std::string(key.what) + "\n";
  }
  return text;
}

}  // namespace idlefit
