#include "profiles/banding.h"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <random>
#include <sstream>
#include <string>
#include <utility>
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

double cost_of(const std::vector<BandEngine>& engines, const Eigen::ArrayXd& log_ve) {
  double sum = 0;
  for (const BandEngine& e : engines)
    sum += std::pow((e.weight * (log_ve - e.log_ve).square()).sum(), kErrorPower / 2);
  return sum;
}

TEST_CASE("a band's table has the least cost of any near it", "[closed-form]") {
  const std::vector<BandEngine> engines = simple_engines(30);
  const BandTable fit = fit_band(engines, 300);
  const auto cost = [&](const Eigen::ArrayXd& log_ve) { return cost_of(engines, log_ve); };
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

TEST_CASE("a band's table rises along its rows, and no other that does costs less",
          "[closed-form]") {
  // Rows of three cells whose last is the lowest for most engines: something has to be pooled.
  std::vector<BandEngine> engines = simple_engines(30);
  for (BandEngine& e : engines) e.row = 3;
  const BandTable fit = fit_band(engines, 300);
  const auto cost = [&](const Eigen::ArrayXd& log_ve) { return cost_of(engines, log_ve); };
  const auto rises = [](const Eigen::ArrayXd& v) {
    return v[0] <= v[1] && v[1] <= v[2] && v[3] <= v[4] && v[4] <= v[5];
  };
  CHECK(rises(fit.log_ve));
  CHECK(cost(fit.log_ve) > fit_band(simple_engines(30), 300).cost);  // it gave something up
  std::mt19937 random(3);
  int tried = 0;
  while (tried < 1000) {
    // Level stretches are moved as a whole as well, which moves of single cells seldom are.
    Eigen::ArrayXd moved = fit.log_ve;
    const double move = 0.01 * ((random() + 0.5) * 0x1p-32 - 0.5);
    const auto from = static_cast<Eigen::Index>(random() % 6),
               count = static_cast<Eigen::Index>(1 + random() % 3);
    for (Eigen::Index c = from; c < std::min<Eigen::Index>(6, from + count); ++c) moved[c] += move;
    if (!rises(moved)) continue;
    ++tried;
    CHECK(cost(moved) >= fit.cost * (1 - 1e-9));
  }
}

TEST_CASE("no shipped table falls as pressure rises", "[consistency]") {
  for (const BaselineProfile& p : built_in_baselines().profiles) {
    INFO(p.name);
    const Eigen::ArrayXXd& ve = p.ve->ve;
    CHECK((ve.rightCols(ve.cols() - 1) >= ve.leftCols(ve.cols() - 1)).all());
  }
}

TEST_CASE("edges by dynamic programming are the best of all", "[closed-form]") {
  const std::vector<BandEngine> engines = simple_engines(24);
  std::vector<std::size_t> places;
  for (std::size_t i = 2; i + 1 < engines.size(); i += 2) places.push_back(i);
  const Banding banding(engines, places, 1, 2);
  const auto cost_by = [&](const std::vector<std::size_t>& edges) {
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
      const double cost = cost_by(edges);
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
    // What the tables are held to is so of the cycle.
    const Eigen::ArrayXXd& ve = some[k].ve.ve;
    const auto& stopped = some[k].ve.below_no_load;
    for (Eigen::Index i = 0; i < ve.rows(); ++i)
      for (Eigen::Index j = 1; j < ve.cols(); ++j)
        CHECK((stopped(i, j - 1) || ve(i, j) >= ve(i, j - 1)));
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

// --- What docs/baselines.md states, worked out apart from the banding
// ---------------------------------------------------------------------------------------------

// From the middle between a node and its neighbour below to that above, cut off at `to`.
double stands_for(const std::vector<double>& axis, std::size_t i, double to) {
  const double low = i > 0 ? (axis[i - 1] + axis[i]) / 2 : axis[i];
  const double high = i + 1 < axis.size() ? (axis[i] + axis[i + 1]) / 2 : axis[i];
  return high <= low || low >= to ? 0.0 : (high < to ? high : to) - low;
}

// The weights by the page's words: area times pressure to 5500 rpm and the barometer; to 1500 rpm a
// quarter at least; a tenth for the idle.
Eigen::ArrayXXd stated_weights(const ShopEngine& engine) {
  const VeGrid& grid = engine.ve.grid;
  const auto rows = static_cast<Eigen::Index>(grid.speed_rpm.size()),
             columns = static_cast<Eigen::Index>(grid.map_Pa.size());
  Eigen::ArrayXXd driving = Eigen::ArrayXXd::Zero(rows, columns);
  Eigen::Index low_rows = 0;
  for (Eigen::Index i = 0; i < rows; ++i) {
    const auto row = static_cast<std::size_t>(i);
    if (grid.speed_rpm[row] <= 1500) low_rows = i + 1;
    for (Eigen::Index j = 0; j < columns; ++j) {
      const auto column = static_cast<std::size_t>(j);
      if (!engine.ve.below_no_load(i, j))
        driving(i, j) = stands_for(grid.speed_rpm, row, 5500) *
                        stands_for(grid.map_Pa, column, engine.ve.barometer_Pa) *
                        grid.map_Pa[column];
    }
  }
  driving /= driving.sum();
  const double low = driving.topRows(low_rows).sum();
  if (low < 0.25) {
    driving.topRows(low_rows) *= 0.25 / low;
    driving.bottomRows(rows - low_rows) *= 0.75 / (1 - low);
  }
  driving *= 0.9;
  // The idle on the four cells around it; at the table's edge where it lies beyond.
  const auto place = [](const std::vector<double>& axis, double at) {
    const auto above = std::upper_bound(axis.begin() + 1, axis.end() - 1, at);
    const double share = (at - *(above - 1)) / (*above - *(above - 1));
    return std::pair<Eigen::Index, double>(above - axis.begin() - 1, std::clamp(share, 0.0, 1.0));
  };
  const auto [i, up] = place(grid.speed_rpm, engine.idle.speed_rpm);
  const auto [j, right] = place(grid.map_Pa, engine.idle.map_Pa);
  driving(i, j) += 0.1 * (1 - up) * (1 - right);
  driving(i, j + 1) += 0.1 * (1 - up) * right;
  driving(i + 1, j) += 0.1 * up * (1 - right);
  driving(i + 1, j + 1) += 0.1 * up * right;
  return driving;
}

TEST_CASE("cells weigh what the page of the baselines says", "[consistency]") {
  for (const ShopEngine& e :
       shop_population(8, 12, built_in_coefficients().posterior, CoefficientsOf::mean)) {
    const BandEngine banded = band_engine(e.ve, e.idle);
    const Eigen::ArrayXXd stated = stated_weights(e);
    for (Eigen::Index i = 0; i < stated.rows(); ++i)
      for (Eigen::Index j = 0; j < stated.cols(); ++j)
        CHECK(banded.weight[i * stated.cols() + j] == Approx(stated(i, j)).margin(1e-12));
  }
}

struct Figures {
  double p95 = 0, rms = 0, worst = 0, beyond = 0;
};

// Of the shipped tables on engines of the population.
Figures shipped_figures(std::size_t count, unsigned draw,
                        CoefficientsOf of = CoefficientsOf::mean) {
  const BaselineSet set = built_in_baselines();
  std::vector<double> errors;
  Figures f;
  const auto engines = static_cast<double>(count);
  for (const ShopEngine& e : shop_population(count, draw, built_in_coefficients().posterior, of)) {
    const double map_kPa = e.idle.map_Pa / 1000;
    std::size_t band = 0;
    while (band + 1 < set.profiles.size() && map_kPa >= set.profiles[band].map_to_kPa) ++band;
    const Eigen::ArrayXXd off = set.profiles[band].ve->ve / e.ve.ve - 1;
    const Eigen::ArrayXXd weight = stated_weights(e);
    const double square = (weight * off.square()).sum();
    errors.push_back(std::sqrt(square));
    f.rms += square / engines;
    f.beyond += (off.abs() > 0.25).select(weight, 0.0).sum() / engines;
  }
  std::sort(errors.begin(), errors.end());
  f.p95 = errors[static_cast<std::size_t>(std::ceil(0.95 * engines)) - 1];
  f.rms = std::sqrt(f.rms);
  f.worst = errors.back();
  return f;
}

TEST_CASE("the page of the baselines states the errors that there are", "[consistency][long]") {
  const std::string page = read_file(std::string(IDLEFIT_SOURCE_DIR) + "/docs/baselines.md");
  const auto stated = [&](const std::string& engines) {
    const std::size_t at = page.find("\n| " + engines + " |");
    REQUIRE(at != std::string::npos);
    std::istringstream row(page.substr(at + engines.size() + 5));
    std::vector<double> numbers(4);
    char bar = 0;
    for (double& n : numbers) {
      row >> n >> bar;
      REQUIRE(bar == '|');
    }
    return numbers;
  };
  const auto compare = [&](const std::string& engines, const Figures& f) {
    const std::vector<double> on_page = stated(engines);
    INFO(engines);
    const std::vector<double> found{f.p95, f.rms, f.worst, f.beyond};
    for (std::size_t k = 0; k < found.size(); ++k)  // half of the last digit, and as much again for
      CHECK(100 * found[k] == Approx(on_page[k]).margin(0.1));  // the file's four digits of VE
  };
  compare("those that the set was made of", shipped_figures(kShippedEngines, 1));
  compare("another draw", shipped_figures(kShippedEngines, 2));
  compare(
      "another draw, coefficients of the physics drawn for each engine from what is known of them",
      shipped_figures(kShippedEngines, 3, CoefficientsOf::draws));
}

TEST_CASE("the shipped tables are right for some engines of their population",
          "[consistency][heavy]") {
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

// Engines as bands see them, told apart by idle MAP times a power of idle speed instead, over that
// of 800 rpm.
std::vector<BandEngine> told_apart(unsigned draw, CoefficientsOf of, double power) {
  std::vector<BandEngine> engines;
  for (const ShopEngine& e :
       shop_population(kShippedEngines, draw, built_in_coefficients().posterior, of)) {
    engines.push_back(band_engine(e.ve, e.idle));
    engines.back().idle_map_Pa *= std::pow(e.idle.speed_rpm / 800, power);
  }
  std::sort(engines.begin(), engines.end(),
            [](const BandEngine& a, const BandEngine& b) { return a.idle_map_Pa < b.idle_map_Pa; });
  return engines;
}

TEST_CASE("four bands told apart by idle pressure times the root of idle speed would be enough",
          "[consistency][long]") {
  // What keeps the shipped set from its 10 and 7 %: docs/baselines.md has these figures.
  const std::vector<BandEngine> own = told_apart(1, CoefficientsOf::mean, 0.5);
  constexpr std::size_t kFewest = 8, kBands = 4;
  std::vector<std::size_t> places;
  for (std::size_t i = kFewest; i + kFewest <= own.size(); ++i) places.push_back(i);
  const std::vector<std::size_t> first =
      Banding(own, places, kFewest, default_threads()).edges(kBands);
  std::vector<Eigen::ArrayXd> tables;
  std::vector<double> edges_Pa;
  for (std::size_t b = 0; b < kBands; ++b) {
    const std::size_t from = b == 0 ? 0 : first[b - 1],
                      to = b < first.size() ? first[b] : own.size();
    tables.push_back(fit_band(std::span(own).subspan(from, to - from), 100).log_ve);
    if (b > 0) edges_Pa.push_back((own[from - 1].idle_map_Pa + own[from].idle_map_Pa) / 2);
  }
  const auto figures = [&](const std::vector<BandEngine>& engines) {
    std::vector<FuellingError> errors;
    for (const BandEngine& e : engines) {
      const auto band = std::upper_bound(edges_Pa.begin(), edges_Pa.end(), e.idle_map_Pa);
      errors.push_back(
          fuelling_error(e, tables[static_cast<std::size_t>(band - edges_Pa.begin())]));
    }
    return fuelling_figures(errors);
  };
  const FuellingFigures on_own = figures(own),
                        second = figures(told_apart(2, CoefficientsOf::mean, 0.5)),
                        drawn = figures(told_apart(3, CoefficientsOf::draws, 0.5));
  WARN("edges " << edges_Pa[0] << ", " << edges_Pa[1] << ", " << edges_Pa[2] << " Pa; own "
                << on_own.p95 << ", " << on_own.rms << "; second " << second.p95 << ", "
                << second.rms << "; drawn " << drawn.p95 << ", " << drawn.rms);
  CHECK(on_own.p95 <= 0.105);
  CHECK(on_own.rms <= 0.07);
  CHECK(second.p95 <= 0.13);
  CHECK(second.rms <= 0.08);
}

TEST_CASE("profiles build refuses what it cannot write before it works", "[consistency][program]") {
  const ProgramRun run = run_idlefit({"profiles", "build", "-o", "/nowhere/set"});
  CHECK(run.exit_code == 4);
  CHECK(run.out.empty());
  CHECK(run.cpu_s < 5);
}

}  // namespace
}  // namespace idlefit
