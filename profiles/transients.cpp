#include "profiles/transients.h"

#include <algorithm>
#include <cmath>
#include <limits>

namespace idlefit {

void TipEvents::add(double excursion, std::int64_t line) {
  ++judged;
  if (!(excursion > kTipExcursion)) return;
  ++excursions;
  if (first_lines.size() < kFirst) first_lines.push_back(line);
  const double bin = std::min(excursion / kBin, static_cast<double>(sizes_.size() - 1));
  ++sizes_[static_cast<std::size_t>(bin)];
}

std::optional<double> TipEvents::median() const {
  if (excursions == 0) return std::nullopt;
  // The middle one, or half way between the two in the middle; each in the middle of its bin.
  const auto size_of = [this](std::int64_t rank) {
    std::size_t bin = 0;
    for (std::int64_t below = sizes_[0]; below <= rank; below += sizes_[bin]) ++bin;
    return kBin * (static_cast<double>(bin) + 0.5);
  };
  return (size_of((excursions - 1) / 2) + size_of(excursions / 2)) / 2;
}

void TransientFinder::forget() {
  first_ = since_ = smooth_ = next_;
  smooth_sum_ = 0;
  moving_ = 0;
}

void TransientFinder::remember(const Sample& sample) {
  // Times that are written in decimals are not as far apart as they look.
  constexpr double kRounding_s = 1e-6;
  samples_[next_++ % kSamples] = sample;
  smooth_sum_ += sample.lambda;
  // Whether a row lies further back than a time, or is the next to be written over.
  const auto is_past = [&](std::uint64_t i, double time_s) {
    return (next_ >= kSamples && i <= next_ - kSamples) || at(i).time_s < time_s - kRounding_s;
  };
  while (smooth_ + 1 < next_ && is_past(smooth_, sample.time_s - kTipSmoothing_s))
    smooth_sum_ -= at(smooth_++).lambda;
  while (since_ + 2 < next_ && is_past(since_, sample.time_s - kTipSpan_s)) ++since_;
  while (first_ < since_ && is_past(first_, at(since_).time_s - kTipBefore_s)) ++first_;
}

// Mean of lambda before the movement; not a number where there is too little of it.
double TransientFinder::lambda_before(double time_s) const {
  constexpr std::uint64_t kFewest = 3;
  const double nothing = std::numeric_limits<double>::quiet_NaN();
  if (since_ + 1 - first_ < kFewest || time_s - at(first_).time_s < kTipBefore_s / 2)
    return nothing;
  double sum = 0;
  for (std::uint64_t i = first_; i <= since_; ++i) sum += at(i).lambda;
  const double mean = sum / static_cast<double>(since_ + 1 - first_);
  return mean > kTipLeanest ? nothing : mean;
}

void TransientFinder::watch(const Sample& now, bool in, std::int64_t line) {
  const double before = lambda_before(at(since_).time_s);
  if (std::isnan(before)) {
    ++(in ? transients_->in : transients_->out).not_judged;
    return;
  }
  watch_ = Watch{in, now.time_s, before, 0, line};
}

void TransientFinder::end_watch(bool whole) {
  if (!watch_) return;
  TipEvents& events = watch_->in ? transients_->in : transients_->out;
  if (whole) {
    events.add(watch_->furthest, watch_->line);
  } else {
    ++events.not_judged;
  }
  watch_.reset();
}

void TransientFinder::add(const LogRow& row) {
  const double throttle_percent = row[LogRole::throttle], lambda = row[LogRole::lambda];
  if (std::isnan(lambda)) return;
  const bool by_throttle = !std::isnan(throttle_percent);
  if (!transients_) {
    transients_.emplace();
    transients_->by_throttle = by_throttle;
    samples_.resize(kSamples);
  }
  if (!row.joined || (next_ > first_ && row[LogRole::time] - at(next_ - 1).time_s > kTipGap_s)) {
    end_watch(false);
    forget();
  }
  const Sample now{row[LogRole::time], by_throttle ? throttle_percent : row[LogRole::map], lambda};
  remember(now);
  const double smoothed = smooth_sum_ / static_cast<double>(next_ - smooth_);

  const Sample& then = at(since_);
  const double rate_s = by_throttle ? kTipThrottle_percent_s : kTipMap_kPa_s;
  const double fast = rate_s * std::max(kTipSpan_s, now.time_s - then.time_s);
  const double moved = now.signal - then.signal;
  // A movement goes on until it has slowed to half, or noise would make many of one.
  const int moving = moved >= fast * (moving_ > 0 ? 0.5 : 1.0)    ? 1
                     : moved <= -fast * (moving_ < 0 ? 0.5 : 1.0) ? -1
                                                                  : 0;
  const bool begins = moving != 0 && moving != moving_;
  moving_ = moving;

  if (watch_ && (begins || now.time_s - watch_->from_s > kTipAfter_s)) {
    end_watch(!begins || now.time_s - watch_->from_s >= kTipSoonest_s);
  }
  if (begins) watch(now, moving > 0, row.line);
  if (watch_) {
    const double off = smoothed - watch_->before;
    watch_->furthest = std::max(watch_->furthest, watch_->in ? off : -off);
  }
}

void TransientFinder::finish() {
  if (!watch_) return;
  end_watch(at(next_ - 1).time_s - watch_->from_s >= kTipSoonest_s);
}

}  // namespace idlefit
