#pragma once

#include <functional>
#include <string>
#include <string_view>

#include "profiles/engine_file.h"

namespace idlefit {

/// Where a key stood, and the line to show with it; for a key that was not given, the section it
/// belongs to.
struct KeyPlace {
  InputError::Where where;
  std::string excerpt;
};
using FindKey = std::function<KeyPlace(std::string_view path)>;

/// Checks the values of a card against one another: enough to estimate from, no contradictions, and
/// lobes that can exist. Throws InputError; adds to card.warnings what is odd but possible.
void check_card(EngineCard& card, const FindKey& find_key);

/// No engine idles with less in its manifold, Pa: a vacuum nearer to the barometer is an absolute
/// pressure taken for one. Chosen.
inline constexpr double kLeastIdleMap_Pa = 10e3;

/// Tappet lifts (m) between which a lobe can show both durations (crank degrees) at a seat height
/// (m); `low_m` > `high_m` where none can.
struct LiftRange {
  double low_m, high_m;
};
LiftRange lobe_lift_range(double duration_050_deg, double duration_seat_deg, double seat_height_m);

/// What a card says of a pair of durations, in the order intake, exhaust.
struct StatedLobe {
  std::optional<double> duration_050_deg, duration_seat_deg, valve_lift_m, rocker_ratio, lash_m;
};
StatedLobe stated_lobe(const EngineCard& card, bool intake);

/// The usual rocker ratio of a valve train, and what it may be where it is not given.
double usual_rocker_ratio(const EngineCard& card);
/// Whether valves are opened by pushrods, assumed from the number of valves where not given.
Valvetrain stated_or_usual_valvetrain(const EngineCard& card);
/// The kind of lifter, assumed from whether there is lash where not given.
EngineCard::Lifter stated_or_usual_lifter(const EngineCard& card);
int stated_or_usual_valves(const EngineCard& card);

/// Bore and stroke (m): as given, computed from displacement and one of them, or from displacement
/// alone with a bore/stroke ratio.
struct BoreStroke {
  double bore_m, stroke_m;
};
BoreStroke bore_and_stroke(const EngineCard& card, double bore_over_stroke);

}  // namespace idlefit
