#include "profiles/transients.h"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <random>
#include <vector>

namespace idlefit {
namespace {

constexpr double kNone = std::numeric_limits<double>::quiet_NaN();

// A drive row by row: steady, then the throttle moves, then lambda goes off by a known shape.
class Drive {
 public:
  explicit Drive(double step_s, double noise = 0, unsigned seed = 5)
      : step_s_(step_s), noise_(0, noise), generator_(seed) {}

  // Holds throttle and lambda.
  void hold(double time_s, double throttle, double lambda = 0.98) {
    throttle_ = throttle;
    for (double until_s = time_s_ + time_s; time_s_ < until_s - 1e-9;) row(lambda);
  }
  // Moves the throttle in 0.2 s to where it then stays; lambda is off by `size`, as long as
  // `long_s`, from `late_s` after the movement has begun; the whole takes `time_s`.
  void tip(double throttle, double size, double time_s = 4, double late_s = 0.4,
           double long_s = 0.8) {
    const double from = throttle_, from_s = time_s_;
    while (time_s_ < from_s + time_s - 1e-9) {
      const double t_s = time_s_ - from_s;
      throttle_ = from + (throttle - from) * std::min(1.0, t_s / 0.2);
      row(0.98 + (t_s > late_s && t_s <= late_s + long_s ? size : 0));
    }
    throttle_ = throttle;
  }
  void gap(double time_s) {
    time_s_ += time_s;
    joined_ = time_s <= kLogGap_s;
  }
  Transients found(bool by_map = false) const {
    TransientFinder finder;
    for (LogRow row : rows_) {
      if (by_map) {
        row.value[static_cast<std::size_t>(LogRole::map)] = 30 + 2 * row[LogRole::throttle];
        row.value[static_cast<std::size_t>(LogRole::throttle)] = kNone;
      }
      finder.add(row);
    }
    finder.finish();
    return finder.transients().value_or(Transients{});
  }
  std::int64_t next_line() const { return static_cast<std::int64_t>(rows_.size()) + 2; }
  std::vector<LogRow> rows_;

 private:
  void row(double lambda) {
    LogRow row;
    row.line = next_line();
    row.value.fill(kNone);
    row.value[static_cast<std::size_t>(LogRole::time)] = time_s_;
    row.value[static_cast<std::size_t>(LogRole::map)] = 45;
    row.value[static_cast<std::size_t>(LogRole::throttle)] = throttle_;
    row.value[static_cast<std::size_t>(LogRole::lambda)] = lambda + noise_(generator_);
    row.joined = joined_ && !rows_.empty();
    rows_.push_back(row);
    joined_ = true;
    time_s_ += step_s_;
  }
  double step_s_, time_s_ = 0, throttle_ = 10;
  bool joined_ = true;
  std::normal_distribution<double> noise_;
  std::mt19937 generator_;
};

TEST_CASE("excursions after known movements are counted, with their size", "[closed-form]") {
  const double step_s = GENERATE(0.01, 0.05, 0.1, 0.2);
  const bool by_map = GENERATE(false, true);
  CAPTURE(step_s, by_map);
  Drive drive(step_s);
  drive.hold(3, 10);
  std::vector<std::int64_t> lines;
  // Lean after the openings by 0.20, 0.10, 0.12, 0.03 and 0; rich after the closings by 0.6 of it.
  for (const double size : {0.20, 0.10, 0.12, 0.03, 0.0}) {
    lines.push_back(drive.next_line());
    drive.tip(40, size);
    drive.tip(10, -0.6 * size);
  }
  const Transients found = drive.found(by_map);
  CHECK(found.by_throttle != by_map);
  CHECK(found.in.judged == 5);
  CHECK(found.in.excursions == 3);
  CHECK(*found.in.median() == Approx(0.12).margin(0.001));
  CHECK(found.out.judged == 5);
  CHECK(found.out.excursions == 3);  // 0.12, 0.06 and 0.072
  CHECK(*found.out.median() == Approx(0.072).margin(0.001));
  CHECK(found.in.not_judged + found.out.not_judged == 0);
  REQUIRE(found.in.first_lines.size() == 3);
  for (std::size_t i = 0; i < 3; ++i) {  // seen while the throttle moved, or right behind
    CHECK(found.in.first_lines[i] > lines[i]);
    CHECK(found.in.first_lines[i] <= lines[i] + std::lround(0.3 / step_s));
  }
}

TEST_CASE("noise of a sensor makes no excursions and hides none", "[closed-form]") {
  // 0.01 lambda, smoothed over three rows: the largest of twenty is about 2 sd of 0.006 too large.
  Drive drive(0.1, 0.01), still(0.1, 0.01);
  drive.hold(3, 10);
  still.hold(3, 10);
  for (int i = 0; i < 200; ++i) {
    drive.tip(40, i % 2 == 0 ? 0.15 : 0.0);
    drive.tip(10, 0);
  }
  const Transients found = drive.found();
  CHECK(found.in.judged == 200);
  CHECK(found.in.excursions == 100);
  CHECK(*found.in.median() == Approx(0.15).margin(0.015));
  CHECK(found.out.excursions == 0);
  // A throttle that is held, however noisy, moves not.
  std::mt19937 generator(8);
  std::normal_distribution<double> noise(20, 1);
  for (int i = 0; i < 1000; ++i) still.hold(0.1, noise(generator));
  CHECK(still.found().in.judged + still.found().in.not_judged == 0);
}

TEST_CASE("a slow movement is none, and a fast one is one", "[closed-form]") {
  Drive drive(0.05);
  drive.hold(3, 10);
  for (int i = 0; i < 60; ++i) drive.hold(0.05, 10 + 0.5 * i);  // 10 percent a second
  for (int i = 0; i < 60; ++i) drive.hold(0.05, 40 - 0.5 * i);
  CHECK(drive.found().in.judged + drive.found().out.judged == 0);
  for (int i = 0; i < 20; ++i) drive.hold(0.05, 10 + 3.0 * i);  // 60, for a second
  drive.hold(4, 70);
  CHECK(drive.found().in.judged == 1);
  CHECK(drive.found().out.judged == 0);
}

TEST_CASE(
    "a movement is not judged across a gap, without lambda before or when moved again at once",
    "[consistency]") {
  SECTION("a gap in the log, short or long") {
    for (const double gap_s : {0.8, 5.0}) {
      Drive drive(0.1);
      drive.hold(3, 10);
      drive.tip(40, 0.2, 0.6);
      drive.gap(gap_s);
      drive.hold(4, 40);
      CHECK(drive.found().in.judged == 0);
      CHECK(drive.found().in.not_judged == 1);
    }
  }
  SECTION("before it") {
    Drive drive(0.1);
    drive.hold(3, 10);
    drive.gap(5);
    drive.hold(0.3, 10);
    drive.tip(40, 0.2);
    CHECK(drive.found().in.not_judged == 1);
    CHECK(drive.found().in.judged == 0);
  }
  SECTION("a log that ends in it") {
    Drive drive(0.1);
    drive.hold(3, 10);
    drive.tip(40, 0.2, 0.8);
    CHECK(drive.found().in.not_judged == 1);
  }
  SECTION("closed again at once") {
    Drive drive(0.1);
    drive.hold(3, 10);
    drive.tip(40, 0, 0.6);
    drive.tip(10, -0.1);
    CHECK(drive.found().in.not_judged == 1);
    CHECK(drive.found().out.judged == 1);
    CHECK(drive.found().out.excursions == 1);
  }
  SECTION("out of fuel cut off") {
    Drive drive(0.1);
    drive.hold(3, 0, 2.0);
    drive.tip(40, 0);
    CHECK(drive.found().in.judged == 0);
    CHECK(drive.found().in.not_judged == 1);
  }
  SECTION("a logger too slow for it") {
    Drive drive(0.6);
    drive.hold(6, 10);
    drive.tip(40, 0.2);
    CHECK(drive.found().in.judged + drive.found().in.excursions == 0);
  }
}

TEST_CASE("what is looked back on is bounded, however fast or still the clock", "[consistency]") {
  // 20 kHz, five times what is kept: the second before is then the 0.2 s before, too short.
  Drive drive(0.00005);
  drive.hold(2, 10);
  drive.tip(40, 0.2);
  CHECK(drive.found().in.not_judged == 1);
  // A clock that stands keeps no more either, and the sums stay those of what is kept.
  TransientFinder finder;
  LogRow row = drive.rows_.front();
  for (int i = 0; i < 50'000; ++i) {
    row.value[static_cast<std::size_t>(LogRole::lambda)] = 0.9 + 0.1 * (i % 2);
    finder.add(row);
    row.joined = true;
  }
  finder.finish();
  CHECK(finder.transients()->in.judged == 0);
  CHECK(finder.transients()->out.not_judged == 0);
}

TEST_CASE("the median of excursions is the one of all their sizes", "[closed-form]") {
  std::mt19937 generator(3);
  std::uniform_real_distribution<double> size(0.0, 0.6);
  for (const std::size_t count : {1u, 2u, 9u, 1000u}) {
    TipEvents events;
    std::vector<double> sizes;
    for (std::size_t i = 0; i < count; ++i) {
      const double s = i == 0 ? 0.3 : size(generator);
      events.add(s, 1);
      if (s > 0.05) sizes.push_back(s);
    }
    std::sort(sizes.begin(), sizes.end());
    const double median = (sizes[(sizes.size() - 1) / 2] + sizes[sizes.size() / 2]) / 2;
    CHECK(events.excursions == static_cast<std::int64_t>(sizes.size()));
    CHECK(*events.median() == Approx(median).margin(0.00051));
  }
  TipEvents large;
  large.add(30, 1);
  CHECK(*large.median() == Approx(1).margin(0.001));
  CHECK_FALSE(TipEvents().median());
}

TEST_CASE("a log without lambda has no transients", "[consistency]") {
  Drive drive(0.1);
  drive.hold(3, 10);
  drive.tip(40, 0.2);
  TransientFinder finder;
  for (LogRow row : drive.rows_) {
    row.value[static_cast<std::size_t>(LogRole::lambda)] = kNone;
    finder.add(row);
  }
  finder.finish();
  CHECK_FALSE(finder.transients());
}

}  // namespace
}  // namespace idlefit
