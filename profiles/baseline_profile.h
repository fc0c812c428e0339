#pragma once

#include <Eigen/Core>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "profiles/units.h"
#include "profiles/yaml_reader.h"

namespace idlefit {

/// Where a value comes from.
enum class Basis {
  computed,         ///< by this program, or by the shop's own arithmetic
  published,        ///< read in a source, which should be named
  common_practice,  ///< what the trade does; no source
  memory,           ///< recalled, not looked up
};
std::string_view basis_name(Basis basis);

/// A value to start from, in the program's unit (profiles/units.h), with its basis.
struct StartValue {
  double value = 0;
  Basis basis = Basis::computed;
  std::string source = {};  ///< which one, or how it was computed; may be empty
  bool operator==(const StartValue&) const = default;
};

/// The engine that stands for all that load a profile.
struct RepresentativeEngine {
  std::string description;  ///< plain words
  std::optional<int> cylinders = {};
  std::optional<double> displacement_m3 = {}, compression_ratio = {};
  std::optional<double> intake_duration_050_deg = {}, exhaust_duration_050_deg = {};
  std::optional<double> intake_duration_seat_deg = {}, exhaust_duration_seat_deg = {};
  std::optional<double> lobe_separation_deg = {};
  Basis basis = Basis::computed;
  std::string source = {};
  bool operator==(const RepresentativeEngine&) const = default;
};

/// At which temperature the density counts that volumetric efficiency refers to, at manifold
/// pressure.
enum class DensityAt {
  charge,       ///< of the fresh charge in the plenum: OperatingPoint::ve_manifold
  outside_air,  ///< of the air entering the engine
  fixed,        ///< VeTable::temperature_K whatever the weather
};
std::string_view density_name(DensityAt at);

/// Volumetric efficiency: dry air per cycle over swept volume, on the density of dry air at
/// manifold pressure and a temperature.
struct VeTable {
  std::vector<double> speed_rpm, map_kPa;  ///< each rising; two or more
  Eigen::ArrayXXd ve;                      ///< a row a speed, a column a pressure
  /// Cells at which the engine cannot run, too little pressure for that speed: the first ones of a
  /// row. Their values are bounded, not computed, and belong into no error sum.
  Eigen::Array<bool, Eigen::Dynamic, Eigen::Dynamic> below_no_load;
  DensityAt density_at = DensityAt::charge;
  double temperature_K = 0;  ///< that the table was made at, or is fixed to
  Basis basis = Basis::computed;
  std::string source = {};
};
bool operator==(const VeTable& a, const VeTable& b);

/// What a cold engine gets beyond a warm one.
struct WarmUpStep {
  double coolant_K = 0;
  std::optional<double> fuel_factor = {};      ///< times the warm engine's fuel
  std::optional<double> added_speed_rpm = {};  ///< over the warm idle speed
  Basis basis = Basis::computed;
  std::string source = {};
  bool operator==(const WarmUpStep&) const = default;
};

/// A baseline calibration: the idle that it is meant for, and what to load. A shop's own set may
/// hold no more than name and range.
struct BaselineProfile {
  using Maybe = std::optional<StartValue>;

  std::string name;
  double map_from_kPa = 0, map_to_kPa = 0;  ///< idle MAP of the engine at sea level
  std::string meaning = {};                 ///< for which engines, in plain words; may be empty
  std::string basis = {};                   ///< where the range comes from; may be empty

  std::optional<RepresentativeEngine> engine = {};
  std::optional<VeTable> ve = {};
  Maybe idle_speed_rpm = {};
  struct Mixture {
    Maybe idle_lambda = {}, cruise_lambda = {}, load_lambda = {};
    bool operator==(const Mixture&) const = default;
  } mixture = {};
  /// Crank degrees before top dead centre, all advance included; for controlled ignition alone.
  struct Spark {
    Maybe idle_deg = {}, cruise_deg = {}, load_deg = {};
    bool operator==(const Spark&) const = default;
  } spark = {};
  struct IdleAir {
    Maybe flow_kg_s = {};  ///< all air of the warm idle without load
    Maybe opening = {};    ///< of the idle-air valve at that idle, share of its travel
    bool operator==(const IdleAir&) const = default;
  } idle_air = {};
  std::vector<WarmUpStep> warm_up = {};  ///< by rising temperature; empty where none is given
  Maybe acceleration_fuel = {};          ///< times the acceleration fuel of the first profile
  struct Limits {
    Maybe speed_max_rpm = {}, idle_speed_min_rpm = {}, idle_speed_max_rpm = {};
    Maybe idle_spark_min_deg = {}, idle_spark_max_deg = {};
    Maybe fuel_correction_max = {};  ///< closed-loop correction either way, a share
    bool operator==(const Limits&) const = default;
  } limits = {};

  bool operator==(const BaselineProfile&) const = default;
};

/// One value of a profile as the file has it: `key` below `section`, or at the top where that is
/// empty. All reading, writing and showing goes by this list.
struct StartKey {
  std::string_view section, key;
  std::string_view what;               ///< plain words
  std::optional<Dimension> dimension;  ///< of the quantity; none for a plain number
  double low, high;                    ///< allowed, in `unit`
  std::string_view unit;  ///< in which it is shown and written; of a plain number, what
                          ///< it counts: "deg", or empty
  bool wanted;            ///< a set that lacks it is not whole
  BaselineProfile::Maybe& (*of)(BaselineProfile&);

  std::string path() const;  ///< "mixture.idle"
  const BaselineProfile::Maybe& in(const BaselineProfile& profile) const {
    return of(const_cast<BaselineProfile&>(profile));
  }
  /// A value of the program in `unit`.
  double in_unit(double value) const;
};
std::span<const StartKey> start_keys();

/// What a profile lacks of a whole one, as paths of the file: "engine", "ve", "mixture.idle". What
/// is for controlled ignition alone is not asked for.
std::vector<std::string> missing_of(const BaselineProfile& profile);

/// Whether two names are one but for upper and lower case (of English letters): people take them
/// for one.
bool same_but_for_case(std::string_view a, std::string_view b);

/// Reads one profile; `field` is its place for messages. Throws InputError for whatever is wrong
/// with it by itself.
BaselineProfile read_baseline_profile(const YamlNode& node, const std::string& field);

/// Its text, an item of the list `profiles`, that reads back as the same.
std::string write_baseline_profile(const BaselineProfile& profile);

}  // namespace idlefit
