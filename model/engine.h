#pragma once

#include <array>
#include <cstddef>
#include <string_view>

namespace idlefit {

enum class Layout { vee, inline_row, flat };
enum class Valvetrain { pushrod, overhead };
enum class Tappet { flat, roller };
enum class Fuel { gasoline, e10, e85, methanol };
enum class Exhaust { manifolds, headers };

/// What an engine is, apart from its continuous dimensions.
struct Build {
  int cylinders = 8;  ///< 1 to 16
  Layout layout = Layout::vee;
  Valvetrain valvetrain = Valvetrain::pushrod;
  Tappet tappet = Tappet::flat;  ///< what rubs on the cam; solid or not is the lash
  int intake_valves = 1;         ///< per cylinder
  int exhaust_valves = 1;        ///< per cylinder
  Fuel fuel = Fuel::gasoline;
  Exhaust exhaust = Exhaust::manifolds;
};

// Every continuous number the physics takes from the engine and its operating point, in SI but for
// crank degrees and rpm: X(name, unit, description). The order here is the order of the derivative
// columns, known nowhere else.
#define IDLEFIT_INPUTS(X)                                                                        \
  X(bore_m, "m", "cylinder bore")                                                                \
  X(stroke_m, "m", "stroke")                                                                     \
  X(rod_m, "m", "connecting-rod length, centre to centre")                                       \
  X(compression_ratio, "1", "geometric compression ratio")                                       \
  X(intake_valve_diameter_m, "m", "intake valve head diameter, each valve")                      \
  X(exhaust_valve_diameter_m, "m", "exhaust valve head diameter, each valve")                    \
  X(intake_duration_050_deg, "deg", "intake duration at 0.050 in tappet lift")                   \
  X(exhaust_duration_050_deg, "deg", "exhaust duration at 0.050 in tappet lift")                 \
  X(intake_duration_seat_deg, "deg", "intake duration at the seat height")                       \
  X(exhaust_duration_seat_deg, "deg", "exhaust duration at the seat height")                     \
  X(seat_height_m, "m", "tappet lift at which the seat durations are counted")                   \
  X(intake_valve_lift_m, "m", "intake lobe lift times rocker ratio, lash not subtracted")        \
  X(exhaust_valve_lift_m, "m", "exhaust lobe lift times rocker ratio, lash not subtracted")      \
  X(intake_rocker_ratio, "1", "intake valve lift per tappet lift")                               \
  X(exhaust_rocker_ratio, "1", "exhaust valve lift per tappet lift")                             \
  X(lobe_separation_deg, "deg", "lobe separation angle (camshaft degrees)")                      \
  X(intake_centerline_deg, "deg", "intake lobe centreline, crank degrees after top dead centre") \
  X(intake_lash_m, "m", "intake lash at the valve, 0 for hydraulic lifters")                     \
  X(exhaust_lash_m, "m", "exhaust lash at the valve, 0 for hydraulic lifters")                   \
  X(speed_rpm, "rpm", "engine speed")                                                            \
  X(spark_btdc_deg, "deg", "spark, crank degrees before top dead centre, all advance included")  \
  X(lambda, "1", "air-fuel ratio over the stoichiometric one")                                   \
  X(barometer_Pa, "Pa", "station pressure")                                                      \
  X(intake_air_K, "K", "temperature of the air entering the engine")                             \
  X(accessory_power_W, "W", "shaft power of alternator, fan, steering pump, compressor")         \
  X(converter_torque_Nm, "N m", "torque taken by a stalled converter, 0 in neutral")

/// The continuous inputs of the physics; T is double, or a dual number for derivatives.
template <class T>
struct Inputs {
#define X(name, unit, description) T name{};
  IDLEFIT_INPUTS(X)
#undef X
};

enum class Input : std::size_t {
#define X(name, unit, description) name,
  IDLEFIT_INPUTS(X)
#undef X
      count
};
inline constexpr std::size_t kInputCount = static_cast<std::size_t>(Input::count);

struct InputInfo {
  std::string_view name, unit, description;
};
inline constexpr std::array<InputInfo, kInputCount> kInputInfo{{
#define X(name, unit, description) {#name, unit, description},
    IDLEFIT_INPUTS(X)
#undef X
}};

/// Reads or writes an input by its index.
template <class T>
T& input_ref(Inputs<T>& in, std::size_t i) {
  T* const members[] = {
#define X(name, unit, description) &in.name,
      IDLEFIT_INPUTS(X)
#undef X
  };
  return *members[i];
}
inline double input_value(const Inputs<double>& in, std::size_t i) {
  return input_ref(const_cast<Inputs<double>&>(in), i);
}

/// One engine at one operating point: all that the physics needs to know.
struct Engine {
  Build build;
  Inputs<double> inputs;
};

/// Swept volume of all cylinders, m^3.
double displacement_m3(const Engine& engine);

}  // namespace idlefit
