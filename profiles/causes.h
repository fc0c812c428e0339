#pragma once

#include <array>
#include <cstddef>
#include <optional>
#include <span>
#include <string>
#include <string_view>

#include "model/fault.h"
#include "profiles/visit_file.h"

namespace idlefit {

// The data that causes are weighed by: how common each is, how large, how it shows beside the
// physics, and how to confirm it. All probabilities and sizes are chosen, from memory of common
// practice; the published part is which pattern points to which cause (service manuals).

/// How large a fault is before anything was read.
enum class SizeLaw {
  one_sided,  ///< half of a normal law of this deviation
  two_sided,  ///< a normal law of this deviation about 0
  even,       ///< all sizes up to the largest alike
  unsized,    ///< the size is not seen in any indication
};

struct Cause {
  Fault fault;
  std::string_view key;   ///< for documents
  std::string_view name;  ///< for people, where its sign does not matter
  double share;           ///< of the cars with one thing wrong; sums to 1
  SizeLaw law;
  double scale, largest;             ///< as Fault counts sizes
  double shown_per_unit;             ///< what is shown is the size times this
  std::string_view unit;             ///< of what is shown
  std::string (*says)(double size);  ///< "late spark, 9 degrees less than set"
  std::string_view confirm;          ///< the cheapest test
};
/// In the order of Fault.
std::span<const Cause, kFaultCount> causes();

/// Probability that something is wrong with a car that comes to be checked. Chosen.
inline constexpr double kChanceOfFault = 0.3;

/// Something seen that no law of physics here predicts: one of a few patterns.
struct Sign {
  std::string_view key, name, question;  ///< "idle_air", "idle-air position", "the idle-air ..."
  std::span<const std::string_view> patterns;
  /// Which pattern the visit shows; empty where it was not read.
  std::optional<std::size_t> (*seen)(const Visit&);
  /// Probability of each pattern on an engine in order; rows add up to 1.
  std::span<const double> healthy;
  /// Of faults that change it.
  struct Row {
    Fault fault;
    std::array<double, 6> chance;
  };
  std::span<const Row> rows;

  /// Probability of a pattern with a fault.
  double chance(std::size_t pattern, Fault fault) const;
};
std::span<const Sign> signs();

/// What is told of an indication.
struct IndicationInfo {
  Indication indication;
  std::string_view key, name, question;
};
/// In the order of Indication.
std::span<const IndicationInfo, static_cast<std::size_t>(kIndicationCount)> indication_info();

}  // namespace idlefit
