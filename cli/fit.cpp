#include "cli/fit.h"

#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <set>
#include <stdexcept>
#include <string_view>
#include <utility>

#include "cli/today.h"
#include "fit/student.h"
#include "model/batch.h"
#include "model/units.h"
#include "profiles/input_error.h"

namespace idlefit {
namespace {

using Clock = std::chrono::steady_clock;

// A coefficient whose deviation shrank by less than this share was not informed.
constexpr double kInformed = 0.95;

// How a quantity is shown: its name, unit, digits, and the number in that unit.
struct Shown {
  std::string_view name, unit;
  int digits;
  double (*convert)(double);
};
double same(double value) { return value; }
Shown shown(Quantity quantity) {
  switch (quantity) {
    case Quantity::map:
      return {"manifold pressure", "kPa", 1, to_kPa};
    case Quantity::vacuum:
      return {"vacuum", "inHg", 1, to_inHg};
    case Quantity::ve:
      return {"volumetric efficiency", "of manifold density", 3, same};
    case Quantity::air:
      return {"air", "g/s", 2, to_g_per_s};
    case Quantity::fuel:
      return {"fuel", "g/s", 3, to_g_per_s};
    case Quantity::residual:
      return {"residual", "of the charge", 3, same};
  }
  throw std::logic_error("unknown quantity");
}
std::string_view quantity_word(Quantity quantity) {
  constexpr std::string_view words[] = {"map", "vacuum", "ve", "air", "fuel", "residual"};
  return words[static_cast<std::size_t>(quantity)];
}

std::string number(const Shown& as, double value) {
  return fmt::format("{:.{}f}", as.convert(value), as.digits);
}

// How well points of one quantity are predicted.
struct Score {
  Quantity quantity = Quantity::map;
  std::size_t points = 0, inside = 0;
  double before = 0, after = 0, leave_out = 0;  // root mean squares, in the points' unit
};
std::vector<Score> scores(const FitReport& r) {
  std::vector<Score> all;
  for (const Quantity q : {Quantity::vacuum, Quantity::map, Quantity::air, Quantity::fuel,
                           Quantity::ve, Quantity::residual}) {
    Score s;
    s.quantity = q;
    for (std::size_t i = 0; i < r.points.set.points.size(); ++i) {
      const Point& point = r.points.set.points[i];
      const FittedPoint& fitted = r.result.points[i];
      if (point.quantity != q) continue;
      ++s.points;
      s.inside += fitted.leave_out_low <= point.value && point.value <= fitted.leave_out_high;
      s.before += std::pow(fitted.before - point.value, 2);
      s.after += std::pow(fitted.after - point.value, 2);
      s.leave_out += std::pow(fitted.leave_out - point.value, 2);
    }
    if (s.points == 0) continue;
    const auto count = static_cast<double>(s.points);
    s.before = std::sqrt(s.before / count);
    s.after = std::sqrt(s.after / count);
    s.leave_out = std::sqrt(s.leave_out / count);
    all.push_back(s);
  }
  return all;
}

// The readings that share an offset, all of one quantity.
struct SharedReadings {
  Quantity quantity = Quantity::map;
  std::size_t count = 0;
};
SharedReadings sharing(const FitReport& r, std::size_t offset) {
  SharedReadings with;
  for (const Point& point : r.points.set.points) {
    if (point.offset != offset) continue;
    with.quantity = point.quantity;
    ++with.count;
  }
  return with;
}

const MeasuredRow& row_of(const FitReport& r, std::size_t point) {
  return r.rows[r.points.origins[point].row];
}

std::string plural(std::size_t count, std::string_view one) {
  return fmt::format("{} {}{}", count, one, count == 1 ? "" : "s");
}

// What may be behind a point far out, in plain words.
std::string oddity(const FitReport& r, std::size_t i) {
  const Point& point = r.points.set.points[i];
  const FittedPoint& fitted = r.result.points[i];
  const bool pressure = point.quantity == Quantity::vacuum || point.quantity == Quantity::map;
  if (pressure) {
    const double barometer_Pa = r.points.set.engines[point.engine].engine.inputs.barometer_Pa;
    const double half = 0.5 * (fitted.leave_out_high - fitted.leave_out_low);
    if (std::fabs(barometer_Pa - point.value - fitted.leave_out) < half) {
      return point.quantity == Quantity::vacuum
                 ? "It would fit as an absolute manifold pressure: vacuum and pressure mixed up?"
                 : "It would fit as a vacuum: pressure and vacuum mixed up?";
    }
  }
  const bool worse = point.quantity == Quantity::vacuum ? point.value < fitted.leave_out
                                                        : point.value > fitted.leave_out;
  if (point.quantity == Quantity::ve || point.quantity == Quantity::residual)
    return "Check number, unit and the manifold pressure it was taken at.";
  return worse ? "A misread number, a fault on the engine, or more cam or load than stated."
               : "A misread number, or less cam or load than stated.";
}

// What reading found odd about an engine but let pass, with the first row that states it.
std::vector<std::string> odd_rows(const FitReport& r) {
  std::vector<std::string> remarks;
  std::set<const EngineCard*> seen;
  for (const MeasuredRow& row : r.rows) {
    if (!seen.insert(row.card.get()).second) continue;
    for (const std::string& warning : row.card->warnings)
      remarks.push_back(fmt::format("{}:{} {}", row.file, row.line, warning));
  }
  return remarks;
}

// JSON has no word for a number that is none.
double finite(double value) {
  if (!std::isfinite(value)) throw std::logic_error("a number in the report is not finite");
  return value;
}

nlohmann::ordered_json text_or_null(const std::string& text) {
  return text.empty() ? nlohmann::ordered_json() : nlohmann::ordered_json(text);
}

struct CoefficientLine {
  double before, before_sd, after, after_sd;
  bool informed, at_bound;
};
CoefficientLine coefficient_line(const FitReport& r, std::size_t k) {
  const auto i = static_cast<Eigen::Index>(k);
  CoefficientLine line{};
  line.before = coefficient_value(r.file.prior.mean, k);
  line.before_sd = std::sqrt(r.file.prior.covariance(i, i));
  line.after = coefficient_value(r.result.posterior.mean, k);
  line.after_sd = std::sqrt(r.result.posterior.covariance(i, i));
  line.informed = line.after_sd < kInformed * line.before_sd;
  line.at_bound =
      line.after <= kCoefficientInfo[k].lower || line.after >= kCoefficientInfo[k].upper;
  return line;
}

[[noreturn]] void refuse_engines(const FitReport& r) {
  const std::size_t engine = r.result.engines.front();
  for (std::size_t i = 0; i < r.points.set.points.size(); ++i) {
    if (r.points.set.points[i].engine != engine) continue;
    const MeasuredRow& row = row_of(r, i);
    std::string others;
    if (r.result.engines.size() > 1)
      others = fmt::format(" {} more like it.", r.result.engines.size() - 1);
    throw InputError(
        {row.file, row.line, 0}, "", row.car,
        "an engine that the model finds an idle for: " + r.result.engine_reasons.front(),
        "Check the row's cam, idle speed and loads, or take it out." + others);
  }
  throw std::logic_error("an engine without points was found to have no idle");
}

}  // namespace

FitReport fit_source(PointsSource source, const CoefficientKnowledge& prior,
                     const std::string& prior_name, bool quiet) {
  FitReport r;
  r.rows = parse_points(source);
  r.points = fit_points(r.rows);
  r.file.prior = prior;
  r.file.prior_name = prior_name;
  r.file.source = std::move(source);
  r.file.rows = r.rows.size();
  r.file.points = r.points.set.points.size();
  r.file.program = std::string("idlefit ") + IDLEFIT_VERSION;
  r.file.date = today();

  const Clock::time_point start = Clock::now();
  Clock::time_point shown_at = start;
  const bool terminal = isatty(STDERR_FILENO) == 1;
  bool any_shown = false;
  FitOptions options;
  options.threads = default_threads();
  if (!quiet) {
    options.progress = [&](int evaluations) {
      const Clock::time_point now = Clock::now();
      if (now - shown_at < std::chrono::seconds(1)) return;
      shown_at = now;
      any_shown = true;
      fmt::print(stderr, "{}fitting: {} solved {} times, {:.0f} s{}", terminal ? "\r" : "",
                 plural(r.points.set.engines.size(), "engine"), evaluations,
                 std::chrono::duration<double>(now - start).count(), terminal ? "" : "\n");
      std::fflush(stderr);
    };
  }
  r.result = fit(r.points.set, prior, options);
  if (terminal && any_shown) fmt::print(stderr, "\r\033[K");
  if (r.result.status == FitStatus::engine_without_idle) refuse_engines(r);
  r.file.posterior = r.result.posterior;
  return r;
}

std::string fit_line(const FitReport& r) {
  if (r.result.status != FitStatus::ok) return "No coefficients: " + r.result.reason + ".";
  std::string text = fmt::format("{} on {}: ", plural(r.file.points, "reading"),
                                 plural(r.points.car_names.size(), "car"));
  // The median, which a single misread number does not spoil.
  const Quantity quantity = scores(r).front().quantity;
  std::vector<double> before, now;
  for (std::size_t i = 0; i < r.result.points.size(); ++i) {
    const Point& point = r.points.set.points[i];
    if (point.quantity != quantity) continue;
    before.push_back(std::fabs(r.result.points[i].before - point.value));
    now.push_back(std::fabs(r.result.points[i].leave_out - point.value));
  }
  const auto median = [](std::vector<double>& values) {
    const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
    std::nth_element(values.begin(), middle, values.end());
    return *middle;
  };
  const Shown as = shown(quantity);
  text +=
      fmt::format("{} typically off by {} {} before, {} {} now for a reading not in the fit",
                  as.name, number(as, median(before)), as.unit, number(as, median(now)), as.unit);
  return text;
}

std::string fit_text(const FitReport& r, const Style& style) {
  std::string text = style.bold(labelled("", 0, fit_line(r)));
  if (r.result.status != FitStatus::ok) return text;
  constexpr std::size_t kIndent = 11;
  if (!r.saved_as.empty()) {
    text += labelled(
        "", 0,
        fmt::format("Saved as {}{}. Use it: idlefit estimate ENGINE.yaml "
                    "--coefficients {}",
                    r.saved_as, r.kept_as.empty() ? "" : "; the one before is " + r.kept_as,
                    r.saved_as));
  } else {
    text += labelled("", 0, "Not saved: -o FILE writes the coefficients.");
  }
  text += "\n";
  const std::vector<Score> all = scores(r);
  for (const Score& s : all) {
    const Shown as = shown(s.quantity);
    text += labelled(
        &s == &all.front() ? "Readings" : "", kIndent,
        fmt::format("{}, {}: off by {} {} (rms) before, {} fitted, {} each left out in turn; "
                    "{} of {} inside the 80% interval of a fit without them.",
                    as.name, plural(s.points, "reading"), number(as, s.before), as.unit,
                    number(as, s.after), number(as, s.leave_out), s.inside, s.points));
  }
  text += labelled("Beyond", kIndent,
                   fmt::format("healthy engines stray by {:.1f} kPa of idle pressure from the "
                               "model, whatever the coefficients.",
                               to_kPa(r.result.discrepancy_Pa)));
  for (std::size_t g = 0; g < r.result.offsets.size(); ++g) {
    const SharedReadings with = sharing(r, g);
    const Shown as = shown(with.quantity);
    text += labelled(g == 0 ? "Offsets" : "", kIndent,
                     fmt::format("{}: {} read {:+.{}f} {} too high.", r.points.offset_names[g],
                                 plural(with.count, "reading"), as.convert(r.result.offsets[g]),
                                 as.digits, as.unit));
  }

  bool any = false;
  for (std::size_t i = 0; i < r.result.points.size(); ++i) {
    const FittedPoint& p = r.result.points[i];
    if (!p.outlier) continue;
    const MeasuredRow& row = row_of(r, i);
    const Point& point = r.points.set.points[i];
    const Shown as = shown(point.quantity);
    text += labelled(any ? "" : "Far out", kIndent,
                     fmt::format("{}:{} {}: {} {} {}, where a fit without it expects {} ({}–{}). "
                                 "It was weighed at {:.0f}%. {}",
                                 row.file, row.line, row.car, as.name, number(as, point.value),
                                 as.unit, number(as, p.leave_out), number(as, p.leave_out_low),
                                 number(as, p.leave_out_high),
                                 100.0 * p.weight / kStudentWeightMost, oddity(r, i)));
    any = true;
  }

  constexpr std::size_t kWarningsAtMost = 6;
  const std::vector<std::string> odd = odd_rows(r);
  for (std::size_t i = 0; i < std::min(odd.size(), kWarningsAtMost); ++i)
    text += labelled(i == 0 ? "Warnings" : "", kIndent, odd[i]);
  if (odd.size() > kWarningsAtMost)
    text += labelled("", kIndent, fmt::format("And {} more.", odd.size() - kWarningsAtMost));

  text += fmt::format("\n{:<26}{:>12}{:>12}{:>12}{:>12}  {}\n", "Coefficient", "before", "± sd",
                      "after", "± sd", "unit");
  bool silent = false;
  for (std::size_t k = 0; k < kCoefficientCount; ++k) {
    const CoefficientInfo& info = kCoefficientInfo[k];
    const CoefficientLine line = coefficient_line(r, k);
    text += fmt::format("{:<26}{:>12.4g}{:>11.2g}{:>12.4g}{:>11.2g}  {}{}\n", info.name,
                        line.before, line.before_sd, line.after, line.after_sd, info.unit,
                        !line.informed  ? "  not informed"
                        : line.at_bound ? "  at its bound"
                                        : "");
    silent = silent || !line.informed;
  }
  if (silent) {
    text += labelled("", 0,
                     fmt::format("Not informed by these points: the deviation is still more than "
                                 "{:.0f}% of what it was.",
                                 100 * kInformed));
  }
  return text;
}

nlohmann::ordered_json fit_json(const FitReport& r) {
  nlohmann::ordered_json document;
  const bool ok = r.result.status == FitStatus::ok;
  document["schema"] = "idlefit.fit/1";
  document["status"] = ok ? "ok" : "not-converged";
  if (!ok) document["reason"] = r.result.reason;
  document["saved_as"] = text_or_null(r.saved_as);
  document["kept_as"] = text_or_null(r.kept_as);
  document["points"] = r.file.points;
  document["rows"] = r.file.rows;
  document["cars"] = r.points.car_names.size();
  document["prior"] = r.file.prior_name;
  if (!ok) return document;
  document["discrepancy_kPa"] = finite(to_kPa(r.result.discrepancy_Pa));
  document["scores"] = nlohmann::ordered_json::array();
  for (const Score& s : scores(r)) {
    const Shown as = shown(s.quantity);
    document["scores"].push_back({{"quantity", quantity_word(s.quantity)},
                                  {"unit", as.unit},
                                  {"readings", s.points},
                                  {"rms_before", finite(as.convert(s.before))},
                                  {"rms_fitted", finite(as.convert(s.after))},
                                  {"rms_left_out", finite(as.convert(s.leave_out))},
                                  {"inside_80", s.inside}});
  }
  document["coefficients"] = nlohmann::ordered_json::array();
  for (std::size_t k = 0; k < kCoefficientCount; ++k) {
    const CoefficientLine line = coefficient_line(r, k);
    document["coefficients"].push_back({{"name", kCoefficientInfo[k].name},
                                        {"unit", kCoefficientInfo[k].unit},
                                        {"before", finite(line.before)},
                                        {"before_sd", finite(line.before_sd)},
                                        {"after", finite(line.after)},
                                        {"after_sd", finite(line.after_sd)},
                                        {"informed", line.informed},
                                        {"at_bound", line.at_bound}});
  }
  document["offsets"] = nlohmann::ordered_json::array();
  for (std::size_t g = 0; g < r.result.offsets.size(); ++g) {
    const Quantity quantity = sharing(r, g).quantity;
    const Shown as = shown(quantity);
    document["offsets"].push_back({{"name", r.points.offset_names[g]},
                                   {"quantity", quantity_word(quantity)},
                                   {"unit", as.unit},
                                   {"value", finite(as.convert(r.result.offsets[g]))}});
  }
  document["warnings"] = odd_rows(r);
  document["readings"] = nlohmann::ordered_json::array();
  for (std::size_t i = 0; i < r.result.points.size(); ++i) {
    const FittedPoint& p = r.result.points[i];
    const Point& point = r.points.set.points[i];
    const Shown as = shown(point.quantity);
    const MeasuredRow& row = row_of(r, i);
    nlohmann::ordered_json reading{
        {"file", row.file},
        {"line", row.line},
        {"car", row.car},
        {"quantity", quantity_word(point.quantity)},
        {"unit", as.unit},
        {"measured", finite(as.convert(point.value))},
        {"before", finite(as.convert(p.before))},
        {"fitted", finite(as.convert(p.after))},
        {"left_out", finite(as.convert(p.leave_out))},
        {"left_out_80",
         {finite(as.convert(p.leave_out_low)), finite(as.convert(p.leave_out_high))}},
        {"left_out_by", p.refitted ? "refit" : "leverage"},
        {"deviations", finite(p.deviations)},
        {"weight", finite(p.weight)},
        {"leverage", finite(p.leverage)},
        {"far_out", p.outlier}};
    if (p.outlier) reading["remark"] = oddity(r, i);
    document["readings"].push_back(std::move(reading));
  }
  return document;
}

}  // namespace idlefit
