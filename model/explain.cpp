#include "model/explain.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "model/solve.h"

namespace idlefit {

BestSpark best_idle_spark(const Engine& engine, const Coefficients<double>& coefficients) {
  // Any idle comes before a balance that burns too little for one.
  constexpr double kRatherNot_Pa = 1e6;
  const auto map_at = [&](double spark) {
    Engine e = engine;
    e.inputs.spark_btdc_deg = spark;
    const SolveResult r = solve_idle(e, coefficients);
    if (!r.balanced) return std::numeric_limits<double>::infinity();
    return r.point.map_Pa + (r.status == Status::ok ? 0.0 : kRatherNot_Pa);
  };
  // A coarse scan, since a very early spark may have no balance at all; then golden section.
  constexpr double kCoarse = 6.0, kMost = 60.0, kFine = 0.25;
  BestSpark best{0.0, std::numeric_limits<double>::infinity()};
  for (double spark = 0.0; spark <= kMost; spark += kCoarse) {
    const double map = map_at(spark);
    if (map < best.map_Pa) best = {spark, map};
  }
  constexpr double kGolden = 0.6180339887498949;
  double low = std::max(0.0, best.spark_btdc_deg - kCoarse);
  double high = std::min(kMost, best.spark_btdc_deg + kCoarse);
  double a = high - kGolden * (high - low), b = low + kGolden * (high - low);
  double map_a = map_at(a), map_b = map_at(b);
  while (high - low > kFine) {
    if (map_a < map_b) {
      high = b;
      b = a;
      map_b = map_a;
      a = high - kGolden * (high - low);
      map_a = map_at(a);
    } else {
      low = a;
      a = b;
      map_a = map_b;
      b = low + kGolden * (high - low);
      map_b = map_at(b);
    }
  }
  if (map_a < best.map_Pa) best = {a, map_a};
  if (map_b < best.map_Pa) best = {b, map_b};
  if (std::isfinite(best.map_Pa) && best.map_Pa >= kRatherNot_Pa) best.map_Pa -= kRatherNot_Pa;
  return best;
}

std::vector<Contribution> explain_idle(const Engine& engine,
                                       const Coefficients<double>& coefficients) {
  const SolveResult whole = solve_idle(engine, coefficients);
  if (!whole.balanced) return {};
  const double map = whole.point.map_Pa;
  std::vector<Contribution> parts;
  using Part = Contribution::Part;
  const auto without = [&](Part part, const char* what, const Engine& e, const Switches& s,
                           const Coefficients<double>& c) {
    const SolveResult r = solve_idle_with(e, c, {}, s);
    parts.push_back({part, what, r.balanced ? map - r.point.map_Pa : 0.0, r.balanced});
  };
  const Switches all;

  Switches no_overlap;
  no_overlap.overlap = false;
  without(Part::overlap_backflow, "overlap backflow", engine, no_overlap, coefficients);
  Switches no_late_closing;
  no_late_closing.late_closing = false;
  without(Part::late_closing, "late intake closing", engine, no_late_closing, coefficients);
  Coefficients<double> no_friction = coefficients;
  no_friction.friction = 0.0;
  without(Part::friction, "friction", engine, all, no_friction);

  Engine e = engine;
  e.inputs.accessory_power_W = 0.0;
  without(Part::accessories, "accessories", e, all, coefficients);
  e = engine;
  e.inputs.converter_torque_Nm = 0.0;
  without(Part::gear, "converter in gear", e, all, coefficients);
  e = engine;
  e.inputs.barometer_Pa = kStandardAtmosphere_Pa;
  without(Part::altitude, "altitude", e, all, coefficients);
  const BestSpark best = best_idle_spark(engine, coefficients);
  const bool found = std::isfinite(best.map_Pa);
  parts.push_back({Part::spark, "spark short of best", found ? map - best.map_Pa : 0.0, found});
  return parts;
}

}  // namespace idlefit
