#include "profiles/start_error.h"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>

#include "profiles/baseline_build.h"
#include "profiles/baselines.h"
#include "profiles/coefficients_file.h"
#include "profiles/predicted_table.h"
#include "tests/support/start_errors.h"

namespace idlefit {
namespace {

using test::start_errors;
using test::StartErrors;
using test::Told;

StartErrors errors_of(std::size_t count, unsigned draw, CoefficientsOf of, Told told) {
  const CoefficientKnowledge known = built_in_coefficients().posterior;
  return start_errors(shop_population(count, draw, known, of), told, built_in_baselines(),
                      known.mean);
}

TEST_CASE("an engine's own table is a better start than any baseline, where the engine is known",
          "[consistency][heavy]") {
  const StartErrors e = errors_of(16, 6, CoefficientsOf::draws, Told::all);
  CHECK(e.own.rms < 0.75 * e.band.rms);
  CHECK(e.own.rms < 0.75 * e.blended.rms);
}

TEST_CASE("own tables stay within 4.5 % root mean square on a second draw", "[consistency][long]") {
  // As the baselines' second draw is taken, physics and prediction having the same coefficients:
  // then it is the grid's own table and shows no more than that nothing was mixed up.
  CHECK(errors_of(kShippedEngines, 2, CoefficientsOf::mean, Told::all).own.rms <= 0.045);
}
TEST_CASE("own tables stay within 4.5 % root mean square on engines with physics of their own",
          "[consistency][long][!shouldfail]") {
  // Measured over twelve draws: 4.7 %, from 4.1 to 5.5. What is left is what is not known of the
  // coefficients.
  CHECK(errors_of(kShippedEngines, 3, CoefficientsOf::draws, Told::all).own.rms <= 0.045);
}

TEST_CASE("the error of a start goes with how well the idle is known", "[consistency][long]") {
  // Draws that the constant was not taken from. One draw of a hundred strays by a quarter: of what
  // is not known of the coefficients, few do most.
  for (const Told told : {Told::all, Told::by_phone}) {
    double own = 0, idle_off_Pa2 = 0;
    constexpr unsigned kFirst = 7, kLast = 10;
    for (unsigned draw = kFirst; draw <= kLast; ++draw) {
      const StartErrors e = errors_of(kShippedEngines, draw, CoefficientsOf::draws, told);
      own += e.own.rms * e.own.rms / (kLast - kFirst + 1);
      idle_off_Pa2 += e.idle_off_Pa * e.idle_off_Pa / (kLast - kFirst + 1);
    }
    WARN((told == Told::all ? "all" : "by phone") << ": own " << std::sqrt(own) << ", idle off by "
                                                  << std::sqrt(idle_off_Pa2) / 1e3 << " kPa");
    CHECK(typical_start_error(std::sqrt(idle_off_Pa2)) == Approx(std::sqrt(own)).epsilon(0.2));
  }
}

TEST_CASE("a baseline's table is as far from an engine's as its cells are", "[consistency]") {
  const CoefficientKnowledge known = built_in_coefficients().posterior;
  const ShopEngine engine = shop_population(1, 1, known, CoefficientsOf::mean).front();
  BaselineProfile baseline;
  CHECK_FALSE(start_apart(engine.ve, engine.idle, baseline));
  baseline.ve = ve_table_of(engine.ve, "itself");
  CHECK(*start_apart(engine.ve, engine.idle, baseline) == Approx(0.0).margin(1e-12));
  baseline.ve->ve *= 1.07;
  CHECK(*start_apart(engine.ve, engine.idle, baseline) == Approx(0.07).epsilon(1e-9));
  // On other axes it is read between its cells: every second pressure of it is a little off.
  baseline.ve = ve_table_of(engine.ve, "itself");
  VeTable& t = *baseline.ve;
  const VeTable whole = t;
  t.map_kPa.clear();
  t.ve.resize(whole.ve.rows(), whole.ve.cols() / 2);
  for (Eigen::Index j = 0; j < t.ve.cols(); ++j) {
    t.map_kPa.push_back(whole.map_kPa[static_cast<std::size_t>(2 * j)]);
    t.ve.col(j) = whole.ve.col(2 * j);
  }
  const double apart = *start_apart(engine.ve, engine.idle, baseline);
  CHECK(apart > 0.0);
  CHECK(apart < 0.03);
  t.density_at = DensityAt::outside_air;
  CHECK_FALSE(start_apart(engine.ve, engine.idle, baseline));
}

}  // namespace
}  // namespace idlefit
