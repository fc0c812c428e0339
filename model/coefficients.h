#pragma once

#include <array>
#include <cstddef>
#include <string_view>

namespace idlefit {

// The one table of coefficients: what the physics cannot know from a cam card. The model, the
// uncertainty of an estimate and docs/physics.md (held to it by a test) take them from here.
// X(name, unit, prior mean, prior deviation, lower bound, upper bound, meaning, source)
#define IDLEFIT_COEFFICIENTS(X)                                                                    \
  X(low_lift_flow, "1", 0.65, 0.10, 0.20, 0.90,                                                    \
    "flow coefficient on curtain area at lift/diameter 0.05 and below",                            \
    "chosen to meet the residuals of SAE 931025; the true minimum area is 0.67 of the curtain "    \
    "there")                                                                                       \
  X(full_lift_flow, "1", 1.0, 0.07, 0.75, 1.25,                                                    \
    "multiplies the tabled flow coefficients from lift/diameter 0.15 up",                          \
    "steady flow bench tables, from memory, each within 0.05")                                     \
  X(reverse_flow, "1", 0.90, 0.05, 0.60, 1.10, "flow coefficient, reverse over forward",           \
    "common practice, no source: lower in reverse")                                                \
  X(heat_transfer, "1", 1.00, 0.25, 0.40, 2.50, "multiplies Hohenberg's coefficient",              \
    "Hohenberg SAE 790825; spread chosen")                                                         \
  X(wall_temperature_K, "K", 400.0, 15.0, 350.0, 470.0, "combustion-chamber wall at warm idle",    \
    "370 to 430 K, from memory")                                                                   \
  X(burn_duration_deg, "deg", 68.0, 9.0, 30.0, 120.0,                                              \
    "0 to 100 % Wiebe duration at 1000 rpm, no residual, lambda 1, 650 K and 6 bar at ignition",   \
    "chosen so that 10-90 % takes 25 to 45 degrees at idle, from memory")                          \
  X(burn_dilution, "1", 0.30, 0.08, 0.05, 0.70,                                                    \
    "power of the laminar-speed dilution factor in the burn duration",                             \
    "2/3 by Hires et al. SAE 780232 (memory) less what turbulence takes over; chosen")             \
  X(burn_speed_power, "1", 0.33, 0.08, 0.0, 0.7, "power of engine speed in the burn duration",     \
    "1/3 by Hires et al. SAE 780232, from memory")                                                 \
  X(dilution_limit, "1", 0.63, 0.05, 0.35, 0.80,                                                   \
    "burned mole fraction at which half of the charge fails to burn: lambda 1, 850 K, 4.5 bar",    \
    "chosen; 0.5 to 0.6 for hot residual")                                                         \
  X(dilution_width, "1", 0.030, 0.008, 0.010, 0.080, "width of that fall in burned mole fraction", \
    "chosen")                                                                                      \
  X(quench_speed_m_s, "m/s", 0.040, 0.012, 0.01, 0.20,                                             \
    "laminar speed at which the flame goes out (half of its rate left)", "chosen")                 \
  X(combustion_completeness, "1", 0.965, 0.010, 0.90, 1.0,                                         \
    "burned share of a well-burning charge", "0.95 to 0.98, from memory")                          \
  X(friction, "1", 1.0, 0.12, 0.5, 1.6, "multiplies the friction of SAE 890836",                   \
    "Patton et al. 1989; later engines rub about 25 % less (SAE 2004-01-1456)")                    \
  X(charge_heating_K, "K", 22.0, 8.0, 0.0, 60.0,                                                   \
    "fresh charge in the plenum above intake air, warm idle",                                      \
    "chosen: heated manifold less fuel evaporation")                                               \
  X(runner_heat_W_m2K, "W/(m2 K)", 40.0, 15.0, 0.0, 150.0,                                         \
    "heat transfer, runner gas to its wall", "chosen")                                             \
  X(exhaust_port_heat_W_m2K, "W/(m2 K)", 80.0, 30.0, 0.0, 300.0,                                   \
    "heat transfer, exhaust-port gas to its wall", "chosen")                                       \
  X(runner_length_m, "m", 0.28, 0.05, 0.08, 0.8, "length of the intake gas column",                \
    "chosen: port and manifold runner of a two-valve engine")

/// Coefficients of the physics; T is double, or a dual number for derivatives.
template <class T>
struct Coefficients {
#define X(name, unit, mean, sd, low, high, meaning, source) T name{T(mean)};
  IDLEFIT_COEFFICIENTS(X)
#undef X
};

enum class Coefficient : std::size_t {
#define X(name, unit, mean, sd, low, high, meaning, source) name,
  IDLEFIT_COEFFICIENTS(X)
#undef X
      count
};
inline constexpr std::size_t kCoefficientCount = static_cast<std::size_t>(Coefficient::count);

struct CoefficientInfo {
  std::string_view name, unit;
  double prior_mean, prior_sd, lower, upper;
  std::string_view meaning, source;
};
inline constexpr std::array<CoefficientInfo, kCoefficientCount> kCoefficientInfo{{
#define X(name, unit, mean, sd, low, high, meaning, source) \
  {#name, unit, mean, sd, low, high, meaning, source},
    IDLEFIT_COEFFICIENTS(X)
#undef X
}};

/// Reads or writes a coefficient by its index.
template <class T>
T& coefficient_ref(Coefficients<T>& c, std::size_t i) {
  T* const members[] = {
#define X(name, unit, mean, sd, low, high, meaning, source) &c.name,
      IDLEFIT_COEFFICIENTS(X)
#undef X
  };
  return *members[i];
}
inline double coefficient_value(const Coefficients<double>& c, std::size_t i) {
  return coefficient_ref(const_cast<Coefficients<double>&>(c), i);
}

}  // namespace idlefit
