#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <random>
#include <string>

#include "model/idle.h"
#include "model/solve.h"
#include "tests/support/engines.h"

namespace idlefit::test {
namespace {

double spare_work_Pa(const OperatingPoint& p) {
  return p.imep_gross_Pa - p.pmep_Pa - p.fmep_Pa - p.accessory_mep_Pa;
}

// A sweep of fixed manifold pressures, each let run until it repeats, knows nothing of how the idle
// is looked for. An idle shows as a burning point that makes too little work beside a burning point
// at a higher pressure that makes too much.
bool sweep_shows_idle(const Engine& e, const Coefficients<double>& c) {
  constexpr int kPoints = 40;
  const double top = e.inputs.barometer_Pa - kIdleMargin_Pa;
  bool short_before = false;
  for (int i = 0; i < kPoints; ++i) {
    const double map = top * (0.25 + 0.75 * i / (kPoints - 1));
    const SolveResult r = solve_at_map(e, c, map);
    if (r.status != Status::ok || r.point.burned_fuel_fraction < kIdleBurnedShare) {
      short_before = false;
      continue;
    }
    const bool enough = spare_work_Pa(r.point) >= 0.0;
    if (enough && short_before) return true;
    short_before = !enough;
  }
  return false;
}

void check_population(int count, unsigned seed) {
  WildEngines engines(seed);
  const Coefficients<double> c;
  int idles = 0, without = 0, lost = 0, unconfirmed = 0;
  double worst_identity = 0.0;
  for (int i = 0; i < count; ++i) {
    const Engine e = engines.next();
    SolveResult r;
    REQUIRE_NOTHROW(r = solve_idle(e, c));
    if (r.balanced) {
      const OperatingPoint& p = r.point;
      for (double x : {p.map_Pa, p.ve_manifold, p.ve_ambient, p.charge_K, p.air_kg_s, p.fuel_kg_s,
                       p.residual_fraction, p.burned_fuel_fraction, p.imep_gross_Pa, p.pmep_Pa,
                       p.fmep_Pa, p.accessory_mep_Pa, p.indicated_efficiency})
        REQUIRE(std::isfinite(x));
      worst_identity = std::max({worst_identity, std::fabs(p.energy_error), std::fabs(p.mass_error),
                                 std::fabs(p.burned_mass_error), std::fabs(p.work_error)});
    }
    switch (r.status) {
      case Status::ok:
        ++idles;
        break;
      case Status::no_idle:
        ++without;
        CHECK_FALSE(r.reason.empty());
        if (sweep_shows_idle(e, c)) {
          ++unconfirmed;
          UNSCOPED_INFO("engine " << i << ": " << r.reason);
        }
        break;
      case Status::not_converged:
        ++lost;
        CHECK_FALSE(r.reason.empty());
        break;
    }
  }
  WARN(count << " wild engines: " << idles << " idle, " << without << " have none, " << lost
             << " not converged; worst identity " << worst_identity);
  CHECK(unconfirmed == 0);
  CHECK(lost * 200 <= count);  // at most 0.5 %
  CHECK(worst_identity < 1e-6);
}

}  // namespace

TEST_CASE("wild engines: an idle, or a confirmed none", "[consistency][heavy]") {
  check_population(200, 200);
}
TEST_CASE("2,000 wild engines: an idle, or a confirmed none", "[consistency][long]") {
  check_population(2000, 2000);
}

TEST_CASE("the step error on wild engines", "[consistency]") {
  // Against eight times the steps, which tests/model/test_cycle_reference.cpp holds against CVODE.
  // 0.02 kPa wanted; the step counts were set on other engines than these.
  WildEngines engines(77);
  const Coefficients<double> c;
  int over = 0, compared = 0;
  double worst = 0.0;
  for (int i = 0; i < 60; ++i) {
    const Engine e = engines.next();
    const SolveResult r = solve_idle(e, c);
    if (r.status != Status::ok) continue;
    const SolveResult fine = solve_idle(e, c, {false, 8.0});
    if (!fine.balanced) continue;
    const double error = std::fabs(r.point.map_Pa - fine.point.map_Pa) / 1e3;
    worst = std::max(worst, error);
    over += error > 0.02;
    ++compared;
  }
  WARN("step error on " << compared << " wild engines: worst " << worst << " kPa, " << over
                        << " over 0.02 kPa");
  CHECK(compared > 30);
  CHECK(over * 50 <= compared);  // the 98th percentile
}

// Neighbours of wild engines, solved as one of many and in full: they must agree on whether there
// is an idle, and on where.
void check_one_of_many(int count, unsigned seed) {
  WildEngines engines(seed);
  std::mt19937 generator(seed + 1);
  std::normal_distribution<double> normal;
  const Coefficients<double> c;
  int idles = 0, without = 0, differ = 0;
  double worst_Pa = 0;
  for (int i = 0; i < count; ++i) {
    const Engine e = engines.next();
    const SolveResult middle = solve_idle(e, c, {.gradient = true});
    if (!middle.balanced) continue;
    for (int k = 0; k < 3; ++k) {
      Engine near = e;
      Inputs<double>& in = near.inputs;
      const double longer_deg = 8.0 * normal(generator), exhaust_deg = 8.0 * normal(generator);
      in.intake_duration_050_deg += longer_deg;
      in.intake_duration_seat_deg += longer_deg + 3.0 * normal(generator);
      in.exhaust_duration_050_deg += exhaust_deg;
      in.exhaust_duration_seat_deg += exhaust_deg + 3.0 * normal(generator);
      in.lobe_separation_deg += 2.0 * normal(generator);
      in.speed_rpm += 60.0 * normal(generator);
      in.spark_btdc_deg += 3.0 * normal(generator);
      ParameterGradient moved = ParameterGradient::Zero();
      for (std::size_t p = 0; p < kInputCount; ++p)
        moved[static_cast<Eigen::Index>(p)] = input_value(in, p) - input_value(e.inputs, p);
      const SolveResult full = solve_idle(near, c);
      const SolveResult quick =
          solve_idle(near, c,
                     {.start = SolvedState(middle.state + middle.gradient->state * moved),
                      .one_of_many = true});
      (full.status == Status::ok ? idles : without) += 1;
      if ((quick.status == Status::ok) != (full.status == Status::ok)) {
        ++differ;
      } else if (full.status == Status::ok) {
        worst_Pa = std::max(worst_Pa, std::fabs(quick.point.map_Pa - full.point.map_Pa));
      }
    }
  }
  INFO(idles << " idles, " << without << " without, " << differ << " differ, worst " << worst_Pa
             << " Pa");
  REQUIRE(idles > count / 2);
  REQUIRE(without > count / 10);
  CHECK(differ <= (idles + without) / 500);  // those within 5 Pa of having none
  CHECK(worst_Pa < 5.0);
}

TEST_CASE("one of many is solved as it is by itself", "[consistency]") {
  check_one_of_many(150, 777);
}
TEST_CASE("one of many is solved as it is by itself, 2000 engines", "[consistency][long]") {
  check_one_of_many(2000, 4242);
}

}  // namespace idlefit::test
