#include "profiles/drive.h"

#include <gsl/gsl_histogram2d.h>
#include <gsl/gsl_statistics_double.h>

#include <catch2/catch.hpp>
#include <cmath>
#include <cstdio>
#include <map>
#include <random>
#include <string>
#include <utility>
#include <vector>

#include "tests/support/run_program.h"

namespace idlefit {
namespace {

const std::string kColumns =
    "schema: idlefit.columns/1\n"
    "columns:\n"
    "  time: {heading: t, unit: s}\n"
    "  speed: {heading: n, unit: rpm}\n"
    "  map: {heading: p, unit: kPa}\n"
    "  correction: {heading: c, unit: factor}\n"
    "  coolant: {heading: w, unit: degC}\n"
    "  throttle: {heading: a, unit: percent}\n";

DriveReview review_of(const std::string& text) {
  const TemporaryFolder folder;
  LogReader log(folder.write("log.csv", text), parse_log_columns(kColumns, "map.yaml"));
  return review_drive(log);
}

// A row of a log; time is counted on by the caller.
std::string row(double time_s, double speed_rpm, double map_kPa, double factor = 1.02,
                double coolant_C = 90, double throttle_percent = 0) {
  char text[160];
  std::snprintf(text, sizeof text, "%.17g,%.17g,%.17g,%.17g,%.17g,%.17g\n", time_s, speed_rpm,
                map_kPa, factor, coolant_C, throttle_percent);
  return text;
}

TEST_CASE("the correction map is what GSL makes of the same rows", "[consistency]") {
  std::mt19937 generator(20);
  const auto uniform = [&](double low, double high) {
    return low + (high - low) * (static_cast<double>(generator()) + 0.5) / 4294967296.0;
  };
  std::string text = "t,n,p,c,w,a\n";
  gsl_histogram2d* const counts = gsl_histogram2d_alloc(41, 51);
  gsl_histogram2d_set_ranges_uniform(counts, 0, 20'500, 0, 510);
  std::map<std::pair<std::size_t, std::size_t>, std::vector<double>> cells;
  std::vector<double> all, sizes, weights;
  std::int64_t beyond = 0;
  for (int i = 0; i < 20'000; ++i) {
    const double n = uniform(400, 6000), p = uniform(20, 105), factor = uniform(0.6, 1.4);
    text += row(0.1 * i, n, p, factor);
    gsl_histogram2d_increment(counts, n, p);
    std::size_t a = 0, b = 0;
    gsl_histogram2d_find(counts, n, p, &a, &b);
    cells[{a, b}].push_back(factor - 1);
    all.push_back(factor - 1);
    sizes.push_back(std::fabs(factor - 1));
    weights.push_back(p * (n < 1200 ? 0.25 : 1.0));
    beyond += std::fabs(factor - 1) > 0.25 ? 1 : 0;
  }
  const DriveReview review = review_of(text);
  CHECK(review.rows == 20'000);
  std::size_t filled = 0;
  for (std::size_t i = 0; i < 41; ++i) {
    for (std::size_t j = 0; j < 51; ++j) {
      const RunningMean& cell = review.map.cell(i, j);
      REQUIRE(static_cast<double>(cell.count()) == gsl_histogram2d_get(counts, i, j));
      if (cell.count() == 0) continue;
      ++filled;
      const std::vector<double>& v = cells.at({i, j});
      CHECK(cell.mean() == Approx(gsl_stats_mean(v.data(), 1, v.size())).margin(1e-13));
      if (v.size() > 1)
        CHECK(cell.sd() == Approx(gsl_stats_sd(v.data(), 1, v.size())).margin(1e-13));
    }
  }
  CHECK(filled > 90);
  const auto weighted = [&](const std::vector<double>& v) {
    return gsl_stats_wmean(weights.data(), 1, v.data(), 1, v.size());
  };
  CHECK(review.weighted.mean() == Approx(weighted(all)).margin(1e-12));
  CHECK(review.weighted_size.mean() == Approx(weighted(sizes)).margin(1e-12));
  CHECK(review.beyond_authority == beyond);
  gsl_histogram2d_free(counts);
}

TEST_CASE("means put together are those of all their numbers", "[closed-form]") {
  RunningMean one, two, all;
  for (const double x : {1.0, 4.0, -2.0}) one.add(x), all.add(x);
  for (const double x : {10.0, 30.0}) two.add(x), all.add(x);
  one.add(two);
  CHECK(one.count() == 5);
  CHECK(one.mean() == Approx(all.mean()));
  CHECK(one.sd() == Approx(all.sd()));
  CHECK(RunningMean().sd() == 0);
}

TEST_CASE("steady windows are found where the log was made to have them", "[consistency]") {
  std::string text = "t,n,p,c,w,a\n";
  double t_s = 0;
  const auto stretch = [&](double time_s, double n, double n_end, double p, double p_end,
                           double throttle = 0, double coolant_C = 90) {
    const int rows = static_cast<int>(time_s * 10);
    for (int i = 0; i < rows; ++i, t_s += 0.1) {
      const double f = static_cast<double>(i) / rows;
      text += row(t_s, n + (n_end - n) * f, p + (p_end - p) * f, 1.03, coolant_C, throttle);
    }
  };
  stretch(20, 800, 800, 50, 50, 0, 40);  // cold: lines 2 to 201
  stretch(10, 800, 790, 50, 51);         // idle: 202 to 301
  stretch(4, 790, 3500, 60, 90, 30);     // pulling away
  stretch(8, 2000, 2050, 45, 46, 8);     // cruise: 342 to 421
  stretch(3, 2050, 2050, 46, 46, 20);    // same speed, throttle moved, too short
  stretch(6, 2400, 2400, 15, 15);        // overrun: no cruise
  stretch(4, 800, 800, 50, 50);          // idle, too short
  stretch(20, 700, 1190, 40, 60);        // rising: within the limits for 4 s at most
  const DriveReview review = review_of(text);
  CHECK(review.cold == 200);
  CHECK(review.idle.count == 1);
  REQUIRE(review.cruise.count == 1);
  CHECK(review.cruise.longest_from_line == 342);
  CHECK(review.cruise.longest_to_line == 421);
  CHECK(review.cruise.longest_s == Approx(7.9));
  CHECK(review.cruise.of[static_cast<std::size_t>(LogRole::speed)].mean() ==
        Approx(2000 + 50 * 39.5 / 80));
  CHECK(review.cruise.of[static_cast<std::size_t>(LogRole::correction)].mean() == Approx(0.03));
  CHECK(review.idle.longest_from_line == 202);
  CHECK(review.idle.longest_to_line == 301);
  CHECK(review.idle.longest_s == Approx(9.9));
}

TEST_CASE("a gap, time that runs backwards and a stalled engine end a window", "[consistency]") {
  for (const int kind : {0, 1, 2, 3}) {
    std::string text = "t,n,p,c,w,a\n";
    for (int i = 0; i < 80; ++i) {
      double t_s = 0.1 * i;
      if (kind == 1 && i >= 40) t_s += 5;
      if (kind == 2 && i >= 40) t_s -= 3;
      text += row(t_s, kind == 3 && i == 40 ? 0 : 800, 50);
    }
    CHECK(review_of(text).idle.count == (kind == 0 ? 1 : 0));
  }
}

TEST_CASE("windows of one idle make one cell, those of another another", "[closed-form]") {
  std::string text = "t,n,p,c,w,a\n";
  double t_s = 0;
  const auto idle = [&](double time_s, double n, double p) {
    t_s += 10;  // a gap
    for (int i = 0; i <= std::lround(10 * time_s); ++i, t_s += 0.1) text += row(t_s, n, p);
  };
  idle(8, 700, 45);
  idle(6, 900, 55);
  idle(9, 760, 46.5);  // within 75 rpm and 2 kPa of the first
  idle(7, 700, 48);    // not within 2 kPa
  const DriveReview review = review_of(text);
  REQUIRE(review.idle.cells.size() == 3);
  const SteadySum& first = review.idle.cells[0];
  CHECK(first.count == 2);
  CHECK(first.time_s == Approx(17));
  CHECK(first.mean(LogRole::speed) == Approx((81 * 700 + 91 * 760) / 172.0));
  CHECK(first.longest_s == Approx(9));
  CHECK(review.idle.main_cell() == &first);
  std::int64_t windows = 0, readings = 0;
  double all_s = 0;
  for (const SteadySum& cell : review.idle.cells) {
    windows += cell.count;
    all_s += cell.time_s;
    readings += cell.of[0].count();
  }
  CHECK(windows == review.idle.count);
  CHECK(all_s == Approx(review.idle.time_s));
  CHECK(readings == review.idle.of[0].count());
  CHECK(DriveReview().idle.main_cell() == nullptr);
}

TEST_CASE("the barometer is what the sensor reads before the engine first turns", "[consistency]") {
  const DriveReview review =
      review_of("t,n,p,c,w,a\n" + row(0, 0, 98, 1, 20) + row(0.1, 0, 99, 1, 20) +
                row(0.2, 150, 90, 1, 20) + row(0.3, 0, 60, 1, 20));
  CHECK(review.key_on_map.count() == 2);
  CHECK(review.key_on_map.mean() == Approx(98.5));
}

}  // namespace
}  // namespace idlefit
