#pragma once

#include <optional>

#include "model/coefficients.h"
#include "model/constants.h"
#include "model/engine.h"
#include "model/idle.h"

namespace idlefit {

// Starting values for one engine: idle speed and spark from the idle solve, brake booster, fuel
// supply from the peak air flow, compression. Pressures absolute unless said otherwise.

// --- Idle speed ----------------------------------------------------------------------------------

/// The burned share of the fuel that a steady idle wants: half of what lies between 0.80, below
/// which there is no idle, and all. Chosen: a margin of 0.10 on a share that is a fitted measure of
/// roughness; no source. docs/physics.md says how the speeds that follow compare with the trade's.
inline constexpr double kSteadyBurnedFraction = 0.90;
inline constexpr double kIdleSpeedMax_rpm = 1600.0;
inline constexpr double kIdleSpeedStep_rpm = 25.0;

struct SteadySpeed {
  double speed_rpm = 0;
  bool at_floor = false;  ///< the engine would be steady at less
  OperatingPoint point;
};

/// The lowest idle speed, in steps of kIdleSpeedStep_rpm from `floor_rpm` to kIdleSpeedMax_rpm, at
/// which the engine idles with kSteadyBurnedFraction; none where there is none. Accessories take
/// the power of `engine` at every speed, a converter torque grows with its square. The share rises
/// with speed but near the barometer: speeds are tried by hundreds, and the first that will do is
/// then refined downwards.
std::optional<SteadySpeed> lowest_steady_speed(const Engine& engine,
                                               const Coefficients<double>& coefficients,
                                               double floor_rpm);

/// The engine held in gear: the converter takes torque_Nm at speed_rpm and torque by the square of
/// the speed. Zero torque: in neutral.
Engine with_converter(const Engine& engine, double torque_Nm, double speed_rpm);

// --- Idle spark ----------------------------------------------------------------------------------

struct IdleSpark {
  double spark_btdc_deg = 0;
  OperatingPoint point;
  bool rough_beyond = false;  ///< more spark within reach would cost too much burned fuel
};

/// How little MAP is worth no spark (Pa): less than a gauge shows, half an inch of mercury being a
/// good reading (common practice, no source).
inline constexpr double kSparkWorth_Pa = 500.0;

/// The least spark within reach, by whole degrees, whose MAP comes within kSparkWorth_Pa of the
/// lowest there, among those with kSteadyBurnedFraction; where none has that, among all with an
/// idle. None where there is no idle at any.
std::optional<IdleSpark> least_idle_spark(const Engine& engine,
                                          const Coefficients<double>& coefficients, double low_deg,
                                          double high_deg);

// --- Brakes --------------------------------------------------------------------------------------

/// What an idle vacuum in gear does for a vacuum booster. 16 to 18 inHg are commonly wanted
/// (published in service manuals); the steps below that are common practice, no source.
enum class Booster { enough, marginal, reservoir, pump };
Booster booster_at(double vacuum_Pa);

// --- Fuel ----------------------------------------------------------------------------------------

/// Full load: mixture 0.85 to 0.88 lambda, spark 32 deg (common practice), 2 % of the barometer
/// lost on the way to the manifold (chosen).
inline constexpr double kFullLoadLambda = 0.87;
inline constexpr double kFullLoadSpark_deg = 32.0;
inline constexpr double kFullLoadMap = 0.98;
/// A mean piston speed that street engines are not taken beyond (m/s; from memory).
inline constexpr double kPistonSpeedMax_m_s = 20.0;

struct PeakFlow {
  double speed_rpm = 0;
  double air_kg_s = 0;
  double ve_manifold = 0;
  bool at_limit = false;  ///< air flow still rose at kPistonSpeedMax_m_s
};

/// The most air that the engine takes at full load, speeds by 250 rpm from 2000 rpm. It lies beyond
/// the speed of most power, and the supply must meet it. None where no full load converges.
std::optional<PeakFlow> peak_air_flow(const Engine& engine,
                                      const Coefficients<double>& coefficients);

/// Fuel (kg/s) that an air flow burns at a mixture.
double fuel_flow_kg_s(double air_kg_s, double lambda, Fuel fuel);

/// Brake specific fuel consumption of gasoline at full load, the upper end of 0.45 to 0.50
/// lb/(hp h), and the share of time that an injector may be open, 0.80 to 0.85 (common practice, no
/// source).
inline constexpr double kBsfc_kg_J = 0.50 * kPound_kg / (kHorsepower_W * kHour_s);
inline constexpr double kInjectorDuty = 0.80;

/// Power (W) by air: air / (lambda AFR BSFC), AFR and BSFC of gasoline. Not the model's torque,
/// which is too low at speed to be trusted (docs/physics.md).
double power_by_air_W(double air_kg_s, double lambda);

/// Flow that each injector must have (kg/s): power BSFC / (count duty). The usual formula.
double injector_flow_wanted_kg_s(double power_W, double bsfc_kg_J, int count, double duty);
/// The same from the fuel flow itself: fuel / (count duty).
double injector_flow_wanted_kg_s(double fuel_kg_s, int count, double duty);

/// Flow of an injector at a pressure drop, from that at another: by the square root of their ratio
/// (incompressible flow through an orifice).
double injector_flow_at_kg_s(double rated_kg_s, double rated_Pa, double pressure_Pa);
/// The pressure drop at which injectors are usually rated, 43.5 psi or 3 bar (from memory).
inline constexpr double kInjectorRating_Pa = 3.0e5;

/// Volume flow that a pump must give at pressure (m^3/s): the fuel of the peak and a quarter more,
/// of 20 to 30 % (published in service manuals). Densities of fuels from memory.
inline constexpr double kPumpReserve = 0.25;
double pump_flow_wanted_m3_s(double fuel_kg_s, Fuel fuel);
double fuel_density_kg_m3(Fuel fuel);

// --- Compression ---------------------------------------------------------------------------------

/// Cylinder volume at a crank angle before or after bottom dead centre, over that at bottom dead
/// centre: slider and crank, no piston-pin offset. `rod_ratio` is rod length over crank radius.
double volume_over_bottom(double from_bottom_deg, double compression_ratio, double rod_ratio);

/// Compression ratio from intake closing (crank degrees after bottom dead centre): the volume there
/// over that at top dead centre.
double effective_compression_ratio(const Inputs<double>& in, double intake_closing_abdc_deg);

/// Cranking pressure (Pa, gauge) as a compression gauge shows it, throttle open: barometer
/// (r^n - 1), r the effective ratio. The exponent stands for heat and leakage at cranking speed:
/// 1.2, of 1.15 to 1.25 (from memory of common estimates).
inline constexpr double kCrankingExponent = 1.2, kCrankingExponentOff = 0.05;
double cranking_pressure_Pa(double effective_ratio, double barometer_Pa,
                            double exponent = kCrankingExponent);

}  // namespace idlefit
