#include "profiles/engine_keys.h"

#include <algorithm>
#include <array>
#include <cctype>
#include <cmath>
#include <cstddef>
#include <optional>
#include <utility>

#include "model/cam.h"
#include "model/constants.h"

namespace idlefit {
namespace {

using namespace std::string_view_literals;

// A field is named by a function that works on a const card as well: card -> the optional in it.
#define CARD_FIELD(member) \
  [](auto& card) -> auto& { return card.member; }

// --- Kinds of keys -------------------------------------------------------------------------------

template <class Field>
EngineKey plain_number(std::string_view path, const NumberRange& range, Field field,
                       std::string_view remedy = {}) {
  return {path,
          [=](EngineCard& card, const YamlNode& node) {
            field(card) = node.as_number(path, range, remedy);
          },
          [=](const EngineCard& card) {
            return field(card) ? exact_number_text(*field(card)) : std::string();
          }};
}

template <class Field>
EngineKey whole_number(std::string_view path, const NumberRange& range, Field field,
                       std::string_view remedy = {}) {
  return {path,
          [=](EngineCard& card, const YamlNode& node) {
            field(card) = node.as_integer(path, range, remedy);
          },
          [=](const EngineCard& card) {
            return field(card) ? std::to_string(*field(card)) : std::string();
          }};
}

// `units`: what the value is written in, whichever needs the fewest digits, the first preferred.
template <class Field, std::size_t n>
EngineKey quantity(std::string_view path, const QuantityRange& range,
                   const std::array<std::string_view, n>& units, Field field,
                   std::string_view remedy = {}) {
  return {path,
          [=](EngineCard& card, const YamlNode& node) {
            field(card) = node.as_quantity(path, range, remedy);
          },
          [=](const EngineCard& card) {
            return field(card) ? quantity_text(*field(card), range.dimension, units)
                               : std::string();
          },
          range};
}

// Words in the order of the enumeration that they name.
template <class Field, std::size_t n>
EngineKey word(std::string_view path, const std::array<std::string_view, n>& words, Field field) {
  return {path,
          [=](EngineCard& card, const YamlNode& node) {
            using Enum = typename std::remove_reference_t<decltype(field(card))>::value_type;
            field(card) = static_cast<Enum>(node.as_word(path, words));
          },
          [=](const EngineCard& card) {
            return field(card) ? std::string(words[static_cast<std::size_t>(*field(card))])
                               : std::string();
          }};
}

template <class Field>
EngineKey on_off(std::string_view path, Field field) {
  return {path, [=](EngineCard& card, const YamlNode& node) { field(card) = node.as_switch(path); },
          [=](const EngineCard& card) {
            return field(card) ? std::string(*field(card) ? "on" : "off") : std::string();
          }};
}

// A name as YAML: plain where every reader takes it for the same text, else in double quotes.
std::string yaml_text(const std::string& text) {
  const auto harmless = [](char c) {
    return std::isalnum(static_cast<unsigned char>(c)) != 0 || c == ' ' || c == '-' || c == '/';
  };
  std::string lower;
  for (const char c : text) {
    lower += static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
  }
  constexpr std::array meaningful{"null"sv, "true"sv, "false"sv, "yes"sv, "no"sv,
                                  "on"sv,   "off"sv,  "y"sv,     "n"sv};
  const bool plain = std::all_of(text.begin(), text.end(), harmless) &&
                     std::isalpha(static_cast<unsigned char>(text.front())) != 0 &&
                     text.back() != ' ' &&
                     std::find(meaningful.begin(), meaningful.end(), lower) == meaningful.end();
  if (plain) return text;
  std::string quoted = "\"";
  for (const char c : text) {
    if (c == '"' || c == '\\') quoted += '\\';
    quoted += c;
  }
  return quoted + "\"";
}

// --- Units written, and ranges used more than once -----------------------------------------------

constexpr std::array kLengths{"in"sv, "mm"sv};
constexpr std::array kVolumes{"in3"sv, "L"sv, "cc"sv};
constexpr std::array kAltitudes{"ft"sv, "m"sv};
constexpr std::array kPressures{"inHg"sv, "kPa"sv, "mmHg"sv};
constexpr std::array kFuelPressures{"psi"sv, "kPa"sv, "bar"sv};
constexpr std::array kTemperatures{"degF"sv, "degC"sv};
constexpr std::array kTorques{"lbf.ft"sv, "N.m"sv};
constexpr std::array kSpeeds{"rpm"sv};
constexpr std::array kCurrents{"A"sv};
constexpr std::array kMassFlows{"lb/hr"sv, "g/s"sv};
constexpr std::array kVolumeFlows{"L/hr"sv, "gal/hr"sv};
constexpr std::array kMixtures{"lambda"sv, "AFR"sv};

constexpr std::array kLayouts{"V"sv, "inline"sv, "flat"sv};
constexpr std::array kValvetrains{"pushrod"sv, "overhead"sv};
constexpr std::array kFuels{"gasoline"sv, "e10"sv, "e85"sv, "methanol"sv};
constexpr std::array kInductions{"natural"sv, "boosted"sv};
constexpr std::array kManifolds{"dual-plane"sv, "single-plane"sv, "individual-runner"sv};
constexpr std::array kExhausts{"manifolds"sv, "headers"sv};
constexpr std::array kLifters{"hydraulic flat"sv, "hydraulic roller"sv, "solid flat"sv,
                              "solid roller"sv};
constexpr std::array kWords{"stock"sv, "towing"sv, "mild"sv, "street"sv, "lopey"sv, "race"sv};
constexpr std::array kGears{"neutral"sv, "drive"sv};
constexpr std::array kFans{"none"sv, "belt"sv, "electric"sv};
constexpr std::array kIgnitions{"fixed"sv, "controlled"sv};

constexpr NumberRange kDuration050{150.0, 330.0, "crank degrees at 0.050 in tappet lift"};
constexpr NumberRange kDurationSeat{180.0, 420.0, "crank degrees at the seat height"};
constexpr NumberRange kRockerRatio{0.9, 2.5, "valve lift per tappet lift"};
constexpr NumberRange kSpark{-15.0, 60.0, "crank degrees before top dead centre"};
constexpr QuantityRange kValveDiameter{Dimension::length, 0.6, 3.2, "in", "a valve head diameter"};
constexpr QuantityRange kValveLift{Dimension::length, 0.15, 1.1, "in", "a valve lift"};
constexpr QuantityRange kLash{Dimension::length, 0.0, 0.050, "in", "a lash at the valve"};
constexpr QuantityRange kIdleSpeed{Dimension::speed, 350.0, 2500.0, "rpm", "an idle speed"};
constexpr QuantityRange kAltitude{Dimension::length, -1500.0, 15000.0, "ft", "an altitude"};
constexpr QuantityRange kBarometer{Dimension::pressure, 16.0, 32.0, "inHg",
                                   "a station pressure, absolute,"};

constexpr std::string_view kLiftRemedy =
    "Valve lift is lobe lift times rocker ratio; leave the key out if it is not known.";
constexpr std::string_view kBarometerRemedy =
    "Give the absolute pressure at the place itself, not a gauge reading, or the altitude instead.";

// Whether a value is the tappet lift of cam.duration_050, written in any unit.
bool is_duration_height(const YamlNode& node) {
  constexpr double kSame_m = 1e-9;
  try {
    const NumberWithUnit height = split_quantity(node.text);
    const std::string_view unit = height.unit.empty() ? "in" : std::string_view(height.unit);
    return std::fabs(to_program_unit(height.number, unit, Dimension::length) - kDurationHeight_m) <=
           kSame_m;
  } catch (const QuantityError&) {
    return false;
  }
}

// A seat height, with better advice about 0.050 in than another unit for the number.
EngineKey seat_height(EngineKey key) {
  key.read = [path = key.path, read = key.read](EngineCard& card, const YamlNode& node) {
    try {
      read(card, node);
    } catch (const InputError& problem) {
      if (!is_duration_height(node)) throw;
      throw node.error(path, problem.expected(),
                       "A duration at 0.050 in is given as cam.duration_050; leave the seat height "
                       "out if it is not known.");
    }
  };
  return key;
}

std::vector<EngineKey> make_keys() {
  std::vector<EngineKey> keys;
  keys.push_back(
      {"name",
       [](EngineCard& card, const YamlNode& node) { card.name = node.as_text("name", 100); },
       [](const EngineCard& card) {
         return card.name.empty() ? std::string() : yaml_text(card.name);
       }});

  // --- engine
  keys.push_back({"engine.cylinders",
                  [](EngineCard& card, const YamlNode& node) {
                    card.cylinders = node.as_integer("engine.cylinders", {1.0, 16.0, "cylinders"},
                                                     "Write the number of cylinders.");
                  },
                  [](const EngineCard& card) {
                    return card.cylinders > 0 ? std::to_string(card.cylinders) : std::string();
                  }});
  keys.push_back(word("engine.layout", kLayouts, CARD_FIELD(layout)));
  keys.push_back(quantity(
      "engine.displacement",
      {Dimension::volume, 15.0, 1000.0, "in3", "a displacement of all cylinders"}, kVolumes,
      CARD_FIELD(displacement_m3), "Give the displacement of all cylinders, or bore and stroke."));
  keys.push_back(quantity("engine.bore", {Dimension::length, 1.8, 6.0, "in", "a cylinder bore"},
                          kLengths, CARD_FIELD(bore_m)));
  keys.push_back(quantity("engine.stroke", {Dimension::length, 1.5, 6.5, "in", "a stroke"},
                          kLengths, CARD_FIELD(stroke_m)));
  keys.push_back(quantity("engine.rod_length",
                          {Dimension::length, 3.0, 12.0, "in", "a rod length, centre to centre,"},
                          kLengths, CARD_FIELD(rod_length_m)));
  keys.push_back(plain_number("engine.compression_ratio", {5.0, 18.0, "(to 1)"},
                              CARD_FIELD(compression_ratio)));
  keys.push_back(whole_number("engine.valves.per_cylinder", {2.0, 5.0, "valves per cylinder"},
                              CARD_FIELD(valves_per_cylinder)));
  keys.push_back(quantity("engine.valves.intake_diameter", kValveDiameter, kLengths,
                          CARD_FIELD(intake_valve_diameter_m)));
  keys.push_back(quantity("engine.valves.exhaust_diameter", kValveDiameter, kLengths,
                          CARD_FIELD(exhaust_valve_diameter_m)));
  keys.push_back(word("engine.valvetrain", kValvetrains, CARD_FIELD(valvetrain)));
  keys.push_back(word("engine.fuel", kFuels, CARD_FIELD(fuel)));
  keys.push_back(word("engine.induction", kInductions, CARD_FIELD(induction)));
  keys.push_back(on_off("engine.nitrous", CARD_FIELD(nitrous)));
  keys.push_back(word("engine.manifold", kManifolds, CARD_FIELD(manifold)));
  keys.push_back(word("engine.exhaust", kExhausts, CARD_FIELD(exhaust)));

  // --- cam
  keys.push_back(
      plain_number("cam.duration_050.intake", kDuration050, CARD_FIELD(duration_050_deg.intake)));
  keys.push_back(
      plain_number("cam.duration_050.exhaust", kDuration050, CARD_FIELD(duration_050_deg.exhaust)));
  keys.push_back(plain_number("cam.duration_seat.intake", kDurationSeat,
                              CARD_FIELD(duration_seat_deg.intake)));
  keys.push_back(plain_number("cam.duration_seat.exhaust", kDurationSeat,
                              CARD_FIELD(duration_seat_deg.exhaust)));
  keys.push_back(seat_height(quantity("cam.seat_height",
                                      {Dimension::length, 0.001, 0.045, "in",
                                       "the tappet lift at which the seat duration is counted,"},
                                      kLengths, CARD_FIELD(seat_height_m))));
  keys.push_back(quantity("cam.valve_lift.intake", kValveLift, kLengths,
                          CARD_FIELD(valve_lift_m.intake), kLiftRemedy));
  keys.push_back(quantity("cam.valve_lift.exhaust", kValveLift, kLengths,
                          CARD_FIELD(valve_lift_m.exhaust), kLiftRemedy));
  keys.push_back(
      plain_number("cam.rocker_ratio.intake", kRockerRatio, CARD_FIELD(rocker_ratio.intake)));
  keys.push_back(
      plain_number("cam.rocker_ratio.exhaust", kRockerRatio, CARD_FIELD(rocker_ratio.exhaust)));
  keys.push_back(plain_number("cam.lobe_separation",
                              {90.0, 130.0, "camshaft degrees between the lobes"},
                              CARD_FIELD(lobe_separation_deg)));
  keys.push_back(plain_number("cam.intake_centerline",
                              {85.0, 140.0, "crank degrees after top dead centre"},
                              CARD_FIELD(intake_centerline_deg)));
  keys.push_back(word("cam.lifter", kLifters, CARD_FIELD(lifter)));
  keys.push_back(quantity("cam.lash.intake", kLash, kLengths, CARD_FIELD(lash_m.intake)));
  keys.push_back(quantity("cam.lash.exhaust", kLash, kLengths, CARD_FIELD(lash_m.exhaust)));
  keys.push_back(word("cam.described_as", kWords, CARD_FIELD(described_as)));

  // --- idle
  keys.push_back(quantity("idle.speed", kIdleSpeed, kSpeeds, CARD_FIELD(speed_rpm)));
  keys.push_back(plain_number("idle.spark", kSpark, CARD_FIELD(spark_btdc_deg)));
  keys.push_back(quantity("idle.mixture", {Dimension::mixture, 0.70, 1.20, "lambda", "a mixture"},
                          kMixtures, CARD_FIELD(lambda)));
  keys.push_back(quantity("idle.altitude", kAltitude, kAltitudes, CARD_FIELD(altitude_m)));
  keys.push_back(quantity("idle.barometer", kBarometer, kPressures, CARD_FIELD(barometer_Pa),
                          kBarometerRemedy));
  keys.push_back(
      quantity("idle.intake_air",
               {Dimension::temperature, -40.0, 180.0, "degF", "an intake air temperature"},
               kTemperatures, CARD_FIELD(intake_air_K)));
  keys.push_back(word("idle.gear", kGears, CARD_FIELD(gear)));
  keys.push_back(quantity("idle.converter.stall_speed",
                          {Dimension::speed, 1000.0, 6000.0, "rpm", "a stall speed"}, kSpeeds,
                          CARD_FIELD(stall_speed_rpm)));
  keys.push_back(
      quantity("idle.converter.stall_torque",
               {Dimension::torque, 30.0, 1200.0, "lbf.ft", "a torque at that stall speed"},
               kTorques, CARD_FIELD(stall_torque_Nm)));
  keys.push_back(quantity("idle.accessories.alternator",
                          {Dimension::current, 0.0, 250.0, "A", "an alternator current at idle"},
                          kCurrents, CARD_FIELD(alternator_A)));
  keys.push_back(word("idle.accessories.fan", kFans, CARD_FIELD(fan)));
  keys.push_back(on_off("idle.accessories.air_conditioning", CARD_FIELD(air_conditioning)));
  keys.push_back(on_off("idle.accessories.power_steering", CARD_FIELD(power_steering)));

  // --- install
  keys.push_back(word("install.ignition", kIgnitions, CARD_FIELD(install.ignition)));
  keys.push_back(
      whole_number("install.injectors", {1.0, 16.0, "injectors"}, CARD_FIELD(install.injectors)));
  keys.push_back(
      quantity("install.injector_flow",
               {Dimension::mass_flow, 3.0, 500.0, "lb/hr", "the fuel flow of one injector,"},
               kMassFlows, CARD_FIELD(install.injector_flow_kg_s)));
  keys.push_back(quantity("install.fuel_pressure",
                          {Dimension::pressure, 4.0, 150.0, "psi", "a fuel pressure (gauge)"},
                          kFuelPressures, CARD_FIELD(install.fuel_pressure_Pa)));
  keys.push_back(quantity("install.pump_flow",
                          {Dimension::volume_flow, 20.0, 3000.0, "L/hr", "a fuel pump's flow"},
                          kVolumeFlows, CARD_FIELD(install.pump_flow_m3_s)));

  // --- known
  keys.push_back(quantity("known.vacuum",
                          {Dimension::pressure, 0.5, 28.0, "inHg", "a manifold vacuum"}, kPressures,
                          CARD_FIELD(known.vacuum_Pa),
                          "Give what a vacuum gauge shows, not the absolute manifold pressure."));
  keys.push_back(quantity("known.speed", kIdleSpeed, kSpeeds, CARD_FIELD(known.speed_rpm)));
  keys.push_back(word("known.gear", kGears, CARD_FIELD(known.gear)));
  keys.push_back(plain_number("known.spark", kSpark, CARD_FIELD(known.spark_btdc_deg)));
  keys.push_back(quantity("known.altitude", kAltitude, kAltitudes, CARD_FIELD(known.altitude_m)));
  keys.push_back(quantity("known.barometer", kBarometer, kPressures, CARD_FIELD(known.barometer_Pa),
                          kBarometerRemedy));
  return keys;
}

#undef CARD_FIELD

}  // namespace

const std::vector<EngineKey>& engine_keys() {
  static const std::vector<EngineKey> keys = make_keys();
  return keys;
}

std::string key_text(const EngineCard& card, std::string_view path) {
  for (const EngineKey& key : engine_keys()) {
    if (key.path == path) return key.write(card);
  }
  return {};
}

std::vector<std::string_view> keys_below(std::string_view path) {
  std::vector<std::string_view> names;
  for (const EngineKey& key : engine_keys()) {
    std::string_view rest = key.path;
    if (!path.empty()) {
      if (!rest.starts_with(path) || rest.size() <= path.size() || rest[path.size()] != '.') {
        continue;
      }
      rest.remove_prefix(path.size() + 1);
    }
    const std::string_view name = rest.substr(0, rest.find('.'));
    if (std::find(names.begin(), names.end(), name) == names.end()) names.push_back(name);
  }
  return names;
}

}  // namespace idlefit
