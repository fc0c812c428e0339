#include "profiles/banding.h"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <random>
#include <vector>

#include "profiles/baseline_build.h"
#include "profiles/coefficients_file.h"
#include "profiles/shop_population.h"
#include "tests/support/run_program.h"

namespace idlefit {
namespace {

// Engines of a few cells whose VE falls with idle MAP, each with some of its own.
std::vector<BandEngine> simple_engines(std::size_t count) {
  std::mt19937 random(7);
  const auto uniform = [&] { return (random() + 0.5) * 0x1p-32; };
  std::vector<BandEngine> engines;
  for (std::size_t k = 0; k < count; ++k) {
    BandEngine e{30e3 + 50e3 * uniform(), Eigen::ArrayXd(6), Eigen::ArrayXd(6)};
    for (Eigen::Index c = 0; c < 6; ++c) {
      e.log_ve[c] = std::log(0.8 * std::pow(30e3 / e.idle_map_Pa, 0.2 * static_cast<double>(c))) +
                    0.1 * (uniform() - 0.5);
      e.weight[c] = uniform();
    }
    e.weight /= e.weight.sum();
    engines.push_back(e);
  }
  std::sort(engines.begin(), engines.end(),
            [](const BandEngine& a, const BandEngine& b) { return a.idle_map_Pa < b.idle_map_Pa; });
  return engines;
}

TEST_CASE("a band's table has the least cost of any near it", "[closed-form]") {
  const std::vector<BandEngine> engines = simple_engines(30);
  const BandTable fit = fit_band(engines, 300);
  const auto cost = [&](const Eigen::ArrayXd& log_ve) {
    double sum = 0;
    for (const BandEngine& e : engines)
      sum += std::pow((e.weight * (log_ve - e.log_ve).square()).sum(), kErrorPower / 2);
    return sum;
  };
  CHECK(fit.cost == Approx(cost(fit.log_ve)).epsilon(1e-9));
  for (Eigen::Index c = 0; c < 6; ++c) {
    for (const double move : {-0.003, 0.003}) {
      Eigen::ArrayXd moved = fit.log_ve;
      moved[c] += move;
      CHECK(cost(moved) > fit.cost);
    }
  }
  // One engine alone: its own table, and no error.
  const BandTable alone = fit_band({engines.data(), 1}, 5);
  CHECK(fuelling_error(engines[0], alone.log_ve).rms < 1e-12);
}

TEST_CASE("edges by dynamic programming are the best of all", "[closed-form]") {
  const std::vector<BandEngine> engines = simple_engines(24);
  std::vector<std::size_t> places;
  for (std::size_t i = 2; i + 1 < engines.size(); i += 2) places.push_back(i);
  const Banding banding(engines, places, 1, 2);
  const auto cost_of = [&](const std::vector<std::size_t>& edges) {
    double sum = 0;
    std::size_t first = 0;
    for (std::size_t b = 0; b <= edges.size(); ++b) {
      const std::size_t end = b < edges.size() ? edges[b] : engines.size();
      sum += fit_band(std::span(engines).subspan(first, end - first), 20).cost;
      first = end;
    }
    return sum;
  };
  for (std::size_t bands = 2; bands <= 4; ++bands) {
    // Every way to place the edges, tried.
    double least = 1e300;
    std::vector<std::size_t> best;
    std::vector<bool> taken(places.size(), false);
    std::fill(taken.begin(), taken.begin() + static_cast<std::ptrdiff_t>(bands - 1), true);
    do {
      std::vector<std::size_t> edges;
      for (std::size_t i = 0; i < places.size(); ++i)
        if (taken[i]) edges.push_back(places[i]);
      const double cost = cost_of(edges);
      if (cost < least) {
        least = cost;
        best = edges;
      }
    } while (std::prev_permutation(taken.begin(), taken.end()));
    CHECK(banding.edges(bands) == best);
  }
  CHECK(banding.edges(1).empty());
}

TEST_CASE("a fuelling error is what a table gives over what is needed", "[closed-form]") {
  BandEngine e{50e3, Eigen::ArrayXd(3), Eigen::ArrayXd(3)};
  e.log_ve << std::log(0.5), std::log(0.8), std::log(0.9);
  e.weight << 0.2, 0.3, 0.5;
  Eigen::ArrayXd table(3);
  table << std::log(0.65), std::log(0.8), std::log(0.81);  // 30 % rich, right, 10 % lean
  const FuellingError off = fuelling_error(e, table);
  CHECK(off.rms == Approx(std::sqrt(0.2 * 0.09 + 0.5 * 0.01)));
  CHECK(off.beyond == Approx(0.2));
}

TEST_CASE("cells count by load, low speeds and the idle for their share", "[consistency]") {
  const CoefficientKnowledge knowledge = built_in_coefficients().posterior;
  const std::vector<ShopEngine> some = shop_population(6, 11, knowledge, CoefficientsOf::mean);
  const std::vector<ShopEngine> again = shop_population(6, 11, knowledge, CoefficientsOf::mean, 1);
  for (std::size_t k = 0; k < some.size(); ++k) {
    CHECK((some[k].ve.ve == again[k].ve.ve).all());
    CHECK(some[k].idle.map_Pa < kCustomAbove_Pa);
    const BandEngine e = band_engine(some[k].ve, some[k].idle);
    CHECK(e.weight.sum() == Approx(1));
    CHECK(e.weight.minCoeff() >= 0);
    const auto& speeds = some[k].ve.grid.speed_rpm;
    const auto columns = static_cast<Eigen::Index>(some[k].ve.grid.map_Pa.size());
    double low = 0, fast = 0;
    for (std::size_t i = 0; i < speeds.size(); ++i) {
      const double of_row = e.weight.segment(static_cast<Eigen::Index>(i) * columns, columns).sum();
      if (speeds[i] <= kLowSpeed_rpm) low += of_row;
      if (speeds[i] > 6000) fast += of_row;
    }
    CHECK(low >= kLowSpeedShare * (1 - kIdleShare) + kIdleShare - 1e-9);
    CHECK(fast == 0);
  }
}

// Error of the shipped tables on engines of the population, worked out apart from the banding: by
// reading cell after cell of the profile that holds the idle.
double shipped_error(const BaselineSet& set, const ShopEngine& engine) {
  const double map_kPa = engine.idle.map_Pa / 1000;
  const BaselineProfile* profile = &set.profiles.back();
  for (const BaselineProfile& p : set.profiles) {
    if (map_kPa < p.map_to_kPa) {
      profile = &p;
      break;
    }
  }
  const BandEngine e = band_engine(engine.ve, engine.idle);  // for the weights alone
  double sum = 0;
  const Eigen::Index columns = engine.ve.ve.cols();
  for (Eigen::Index i = 0; i < engine.ve.ve.rows(); ++i)
    for (Eigen::Index j = 0; j < columns; ++j)
      sum +=
          e.weight[i * columns + j] * std::pow(profile->ve->ve(i, j) / engine.ve.ve(i, j) - 1, 2);
  return std::sqrt(sum);
}

struct Figures {
  double p95, rms;
};
Figures shipped_figures(std::size_t count, unsigned draw) {
  const BaselineSet set = built_in_baselines();
  std::vector<double> errors;
  double squares = 0;
  for (const ShopEngine& e :
       shop_population(count, draw, built_in_coefficients().posterior, CoefficientsOf::mean)) {
    errors.push_back(shipped_error(set, e));
    squares += errors.back() * errors.back();
  }
  std::sort(errors.begin(), errors.end());
  return {errors[static_cast<std::size_t>(std::ceil(0.95 * static_cast<double>(count))) - 1],
          std::sqrt(squares / static_cast<double>(count))};
}

TEST_CASE("the shipped tables are right for some engines of their population", "[consistency]") {
  // The first of those they were made of, and of the second draw: a few, for speed.
  CHECK(shipped_figures(30, 1).rms < 0.10);
  CHECK(shipped_figures(30, 2).rms < 0.10);
}

TEST_CASE("the second draw of engines stays within 13 %, 8 % root mean square",
          "[consistency][long]") {
  const Figures second = shipped_figures(kShippedEngines, 2);
  CHECK(second.p95 <= 0.13);
  CHECK(second.rms <= 0.08);
}
TEST_CASE("the engines that the shipped set was made of stay within 10 %, 7 % root mean square",
          "[consistency][long][!shouldfail]") {
  const Figures own = shipped_figures(kShippedEngines, 1);
  CHECK(own.p95 <= 0.10);
  CHECK(own.rms <= 0.07);
}

TEST_CASE("the shipped set is what profiles build makes", "[consistency][long]") {
  const BaselineBuild build = build_baselines(built_in_coefficients().posterior);
  const BaselineSet shipped = built_in_baselines();
  REQUIRE(build.set.profiles.size() == shipped.profiles.size());
  for (std::size_t b = 0; b < shipped.profiles.size(); ++b) {
    const BaselineProfile &made = build.set.profiles[b], &file = shipped.profiles[b];
    CHECK(made.name == file.name);
    CHECK(made.map_from_kPa == file.map_from_kPa);
    CHECK(made.map_to_kPa == file.map_to_kPa);
    CHECK(made.meaning == file.meaning);
    REQUIRE(file.ve);
    // Other processors round otherwise.
    CHECK((made.ve->ve - file.ve->ve).abs().maxCoeff() <= 0.002);
    for (const StartKey& key : start_keys()) {
      REQUIRE(key.in(made).has_value() == key.in(file).has_value());
      if (key.in(made)) CHECK(key.in(made)->value == Approx(key.in(file)->value).epsilon(0.01));
    }
  }
  // The figures of the build are those worked out apart.
  const BandChoice& four = build.by_bands[3];
  const Figures own = shipped_figures(kShippedEngines, 1);
  CHECK(four.own.p95 == Approx(own.p95).margin(0.002));
  CHECK(four.own.rms == Approx(own.rms).margin(0.001));
  CHECK(four.second.beyond <= 0.035);
  CHECK(four.own.beyond <= 0.035);
  // More bands never cost more on the engines that they were chosen on, but for what 95 of 100
  // hides.
  for (std::size_t b = 1; b < build.by_bands.size(); ++b)
    CHECK(build.by_bands[b].own.rms <= build.by_bands[b - 1].own.rms + 0.002);
}

TEST_CASE("profiles build refuses what it cannot write before it works", "[consistency]") {
  const ProgramRun run = run_idlefit({"profiles", "build", "-o", "/nowhere/set"});
  CHECK(run.exit_code == 4);
  CHECK(run.out.empty());
  CHECK(run.cpu_s < 5);
}

}  // namespace
}  // namespace idlefit
