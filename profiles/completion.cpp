#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <optional>
#include <string>
#include <string_view>
#include <utility>

#include "model/accessories.h"
#include "model/atmosphere.h"
#include "model/cam.h"
#include "model/constants.h"
#include "profiles/engine_check.h"
#include "profiles/engine_file.h"
#include "profiles/engine_keys.h"
#include "profiles/practice.h"
#include "profiles/units.h"

namespace idlefit {
namespace {

// All means and spreads that stand here or in profiles/practice.h are common practice without a
// source, or chosen where that is said. docs/engine-file.md lists them.

// A latent variable beyond this says nothing that a wider spread would not say better.
constexpr double kLatentMax = 3.5;
// Step of the central differences, in standard deviations: small against the curves' bends, large
// against rounding.
constexpr double kLatentStep = 1e-3;

// Powers between which an assumed duration must leave the lobe: just inside what the lift law
// covers, so that the lobe exists.
constexpr double kAssumedPowerMin = 1.6, kAssumedPowerMax = 7.8;

constexpr double kFanSpread = 0.35;         // share of a belt fan's power
constexpr double kSteeringSpread = 0.15;    // share: 0.3 to 0.5 kW
constexpr double kCompressorSpread = 0.30;  // share: 1 to 3 kW

using Card = EngineCard;

// Hands out the latent values in the order in which they are asked for, and writes down keys and
// assumptions where somebody wants them. The order may depend on the card, never on the values.
class Draws {
 public:
  explicit Draws(const Eigen::VectorXd& latent) : latent_(latent) {}
  Draws(const Eigen::VectorXd& latent, std::vector<std::string>* keys,
        std::vector<Assumption>* assumed)
      : latent_(latent), keys_(keys), assumed_(assumed) {}

  double normal(std::string_view key) {
    if (keys_ != nullptr) keys_->emplace_back(key);
    const Eigen::Index i = next_++;
    return i < latent_.size() ? std::clamp(latent_[i], -kLatentMax, kLatentMax) : 0.0;
  }
  double normal(std::string_view key, const Spread& spread) {
    return spread.mean + spread.sd * normal(key);
  }

  void note(std::string_view key, double value, std::string_view unit, std::string_view basis) {
    if (assumed_ == nullptr) return;
    assumed_->push_back({std::string(key), value, std::string(unit), 0.0, std::string(basis), ""});
  }
  void note_word(std::string_view key, std::string_view word, std::string_view basis) {
    if (assumed_ == nullptr) return;
    assumed_->push_back({std::string(key), 0.0, "", 0.0, std::string(basis), std::string(word)});
  }

 private:
  const Eigen::VectorXd& latent_;
  std::vector<std::string>* keys_ = nullptr;
  std::vector<Assumption>* assumed_ = nullptr;
  Eigen::Index next_ = 0;
};

struct Durations {
  double at_050_deg, seat_deg;
};

// Between low and high with a slope everywhere: x where it is well inside, bent towards a bound
// within a few widths of it.
double soft_clamp(double x, double low, double high) {
  constexpr double kWidth = 1.5;
  const auto soft_positive = [](double y) {  // log(1 + exp(y)), without overflow
    return std::max(y, 0.0) + std::log1p(std::exp(-std::fabs(y)));
  };
  const double above_low = low + kWidth * soft_positive((x - low) / kWidth);
  const double bent = high - kWidth * soft_positive((high - above_low) / kWidth);
  return std::clamp(bent, low, high);  // where the bounds lie close together
}

class Completer {
 public:
  // `at_known`: under the conditions of the reading in `known` instead of those of the idle.
  Completer(const Card& card, Draws& draws, bool at_known)
      : card_(card), draws_(draws), at_known_(at_known) {}

  Engine run() {
    complete_build();
    complete_block();
    complete_lobes();
    complete_valves();
    complete_idle();
    complete_accessories();
    return engine_;
  }

 private:
  // The value that the card gives, or `mean + sd * latent`, noted under its key in a trade unit.
  double given_or(const std::optional<double>& given, std::string_view key, const Spread& spread,
                  double low, double high, double unit, std::string_view unit_name,
                  std::string_view basis) {
    if (given) return *given;
    const double value = std::clamp(draws_.normal(key, spread), low, high);
    draws_.note(key, value / unit, unit_name, basis);
    return value;
  }

  void complete_build() {
    Build& build = engine_.build;
    build.cylinders = card_.cylinders;
    if (card_.layout) {
      build.layout = *card_.layout;
    } else {
      const bool vee = card_.cylinders >= 8 && card_.cylinders % 2 == 0;
      build.layout = vee ? Layout::vee : Layout::inline_row;
      draws_.note_word("engine.layout", vee ? "V" : "inline", "usual for this number of cylinders");
    }
    const int valves = stated_or_usual_valves(card_);
    if (!card_.valves_per_cylinder) {
      draws_.note("engine.valves.per_cylinder", valves, "", "two-valve head");
    }
    const ValveCount count = valve_count(valves);
    build.intake_valves = count.intake;
    build.exhaust_valves = count.exhaust;
    build.valvetrain = stated_or_usual_valvetrain(card_);
    if (!card_.valvetrain) {
      draws_.note_word("engine.valvetrain",
                       build.valvetrain == Valvetrain::pushrod ? "pushrod" : "overhead",
                       valves > 2 ? "more than two valves per cylinder" : "two-valve head");
    }
    build.fuel = card_.fuel.value_or(Fuel::gasoline);
    if (!card_.fuel) draws_.note_word("engine.fuel", "gasoline", "usual");
    if (card_.exhaust) {
      build.exhaust = *card_.exhaust;
    } else {
      const bool hot = card_.described_as == Card::Words::lopey ||
                       card_.described_as == Card::Words::race ||
                       card_.duration_050_deg.intake.value_or(0.0) >= 228.0;
      build.exhaust = hot ? Exhaust::headers : Exhaust::manifolds;
      draws_.note_word("engine.exhaust", hot ? "headers" : "manifolds", "usual with such a cam");
    }
    lifter_ = stated_or_usual_lifter(card_);
    if (!card_.lifter) {
      draws_.note_word(
          "cam.lifter", solid() ? "solid flat" : "hydraulic flat",
          solid() ? "a lash is given" : "usual; a roller rubs less, a solid lifter needs lash");
    }
    build.tappet = lifter_ == Card::Lifter::hydraulic_flat || lifter_ == Card::Lifter::solid_flat
                       ? Tappet::flat
                       : Tappet::roller;
  }

  bool solid() const { return is_solid(lifter_); }

  void complete_block() {
    Inputs<double>& in = engine_.inputs;
    const bool by_ratio = !card_.bore_m && !card_.stroke_m;
    double ratio = 1.0;
    if (by_ratio) {
      ratio = std::clamp(draws_.normal("engine.bore", bore_over_stroke(card_.cylinders)), 0.7, 1.5);
    }
    const BoreStroke size = bore_and_stroke(card_, ratio);
    in.bore_m = size.bore_m;
    in.stroke_m = size.stroke_m;
    if (by_ratio) {
      constexpr std::string_view kBasis = "from the displacement and a usual bore/stroke ratio";
      draws_.note("engine.bore", in.bore_m / kInch_m, "in", kBasis);
      draws_.note("engine.stroke", in.stroke_m / kInch_m, "in", kBasis);
    }
    const bool pushrod_v8 = card_.cylinders == 8 && engine_.build.valvetrain == Valvetrain::pushrod;
    const double rod_sd = pushrod_v8 ? 0.06 : 0.08;
    in.rod_m = given_or(card_.rod_length_m, "engine.rod_length",
                        {1.65 * in.stroke_m, rod_sd * in.stroke_m}, 1.35 * in.stroke_m,
                        2.2 * in.stroke_m, kInch_m, "in", "1.65 times the stroke, usual");
    in.compression_ratio = given_or(card_.compression_ratio, "engine.compression_ratio", {9.2, 0.6},
                                    6.5, 13.0, 1.0, "", "usual for a rebuilt engine");
  }

  // --- Lobes

  // A gap usual at `from_m` of tappet lift as the same lobe shows it at the seat height.
  double gap_at_seat_height(double gap_deg, double from_m, double duration_050_deg,
                            double lobe_lift_m) const {
    const double height_m = engine_.inputs.seat_height_m;
    if (height_m == from_m) return gap_deg;
    const double power =
        lobe_power(duration_050_deg, duration_050_deg + gap_deg, lobe_lift_m, from_m).power;
    return gap_deg * seat_gap_deg(power, 1.0, lobe_lift_m, height_m) /
           seat_gap_deg(power, 1.0, lobe_lift_m, from_m);
  }

  // The gap between seat and 0.050 in durations, brought to what a lobe of this lift can show.
  // One of the durations is given; where it is the seat's, the gap is a share of that. The bounds
  // are soft, so that a gap assumed near one is still seen to be uncertain.
  Durations feasible(std::optional<double> duration_050_deg, std::optional<double> seat_deg,
                     double gap_deg, double lobe_lift_m) const {
    const double height_m = engine_.inputs.seat_height_m;
    const double least = seat_gap_deg(kAssumedPowerMin, 1.0, lobe_lift_m, height_m);
    const double most = seat_gap_deg(kAssumedPowerMax, 1.0, lobe_lift_m, height_m);
    if (duration_050_deg) {
      const double gap = soft_clamp(gap_deg, least * *duration_050_deg, most * *duration_050_deg);
      return {*duration_050_deg, *duration_050_deg + gap};
    }
    const double gap =
        soft_clamp(gap_deg, *seat_deg * least / (1.0 + least), *seat_deg * most / (1.0 + most));
    return {*seat_deg - gap, *seat_deg};
  }

  // The lobe lifts that show both durations, where both are given.
  LiftRange possible_lobe_lift(const StatedLobe& stated) const {
    LiftRange range{kLobeLiftMin_m, kLobeLiftMax_m};
    if (stated.duration_050_deg && stated.duration_seat_deg) {
      range = lobe_lift_range(*stated.duration_050_deg, *stated.duration_seat_deg,
                              engine_.inputs.seat_height_m);
      // A hair inside, or rounding decides whether the lobe at the bound still counts.
      range.low_m *= 1.0 + 1e-7;
      range.high_m *= 1.0 - 1e-7;
      // Where the seat height is assumed too, no lift may meet it just now: then the nearest does.
      if (range.low_m > range.high_m) range.high_m = range.low_m;
    }
    return range;
  }

  // The rocker ratio nearest to an assumed one that makes a given valve lift a possible lobe.
  double possible_ratio(double rocker_ratio, const StatedLobe& stated) const {
    if (!stated.valve_lift_m || stated.rocker_ratio) return rocker_ratio;
    const LiftRange range = possible_lobe_lift(stated);
    return std::clamp(rocker_ratio, *stated.valve_lift_m / range.high_m,
                      *stated.valve_lift_m / range.low_m);
  }

  // Rocker ratio and valve lift of one side, such that the lobe's lift is one that shows both
  // durations where both are given.
  struct Lift {
    double rocker_ratio, valve_lift_m;
    double lobe_m() const { return valve_lift_m / rocker_ratio; }
  };
  Lift complete_lift(bool intake, const StatedLobe& stated, const Spread& usual_lift,
                     std::string_view lift_basis) {
    const LiftRange range = possible_lobe_lift(stated);
    const std::string side = intake ? "intake" : "exhaust";
    Lift lift{};
    if (stated.rocker_ratio) {
      lift.rocker_ratio = *stated.rocker_ratio;
    } else if (!intake) {
      lift.rocker_ratio = engine_.inputs.intake_rocker_ratio;
    } else {
      const bool pushrod = engine_.build.valvetrain == Valvetrain::pushrod;
      // A valve opened without a rocker has exactly 1; others vary by make.
      const double sd = !pushrod ? 0.0 : card_.cylinders == 8 ? 0.05 : 0.08;
      lift.rocker_ratio =
          pushrod ? std::clamp(1.5 + sd * draws_.normal("cam.rocker_ratio.intake"), 1.1, 1.9) : 1.0;
      // The exhaust rockers are assumed alike, so both lobes must be possible with them.
      lift.rocker_ratio = possible_ratio(lift.rocker_ratio, stated_lobe(card_, false));
      lift.rocker_ratio = possible_ratio(lift.rocker_ratio, stated);
      draws_.note("cam.rocker_ratio.intake", lift.rocker_ratio, "",
                  pushrod ? "usual for pushrods" : "the cam works on the valve directly");
    }
    const bool same_as_intake =
        intake ? card_.rocker_ratio.exhaust.has_value() && !card_.rocker_ratio.intake
               : !card_.rocker_ratio.exhaust;
    if (same_as_intake) {
      draws_.note("cam.rocker_ratio." + side, lift.rocker_ratio, "",
                  intake ? "as the exhaust's" : "as the intake's");
    }
    if (stated.valve_lift_m) {
      lift.valve_lift_m = *stated.valve_lift_m;
    } else {
      const std::string key = "cam.valve_lift." + side;
      lift.valve_lift_m =
          std::clamp(draws_.normal(key, usual_lift), range.low_m * lift.rocker_ratio,
                     range.high_m * lift.rocker_ratio);
      draws_.note(key, lift.valve_lift_m / kInch_m, "in", lift_basis);
    }
    return lift;
  }

  void complete_lobes() {
    Inputs<double>& in = engine_.inputs;
    const bool seat_given = card_.duration_seat_deg.intake || card_.duration_seat_deg.exhaust;
    const Spread height_m = seat_height_of(lifter_);
    if (card_.seat_height_m) {
      in.seat_height_m = *card_.seat_height_m;
    } else if (seat_given) {
      in.seat_height_m =
          given_or(std::nullopt, "cam.seat_height", height_m, height_m.mean - 3.0 * height_m.sd,
                   height_m.mean + 3.0 * height_m.sd, kInch_m, "in",
                   solid() ? "usual for solid lifters, clear of the lash" : "usual on cam cards");
    } else {
      // An assumed seat duration is one at this height: nothing is uncertain about it.
      in.seat_height_m = height_m.mean;
      draws_.note("cam.seat_height", height_m.mean / kInch_m, "in",
                  solid() ? "where the assumed seat duration is counted: solid lifters, clear of "
                            "the lash"
                          : "where the assumed seat duration is counted");
    }
    const StatedLobe intake = stated_lobe(card_, true);
    const StatedLobe exhaust = stated_lobe(card_, false);
    complete_intake_lobe(intake, exhaust);
    complete_exhaust_lobe(intake, exhaust);
    complete_timing();
    complete_lash();
  }

  void complete_intake_lobe(const StatedLobe& intake, const StatedLobe& exhaust) {
    Inputs<double>& in = engine_.inputs;
    constexpr std::string_view kKey050 = "cam.duration_050.intake";
    constexpr std::string_view kKeySeat = "cam.duration_seat.intake";
    const bool given_050 = intake.duration_050_deg.has_value();
    const bool given_seat = intake.duration_seat_deg.has_value();

    // The gap first: from the other lobe where that is known, else from word and lifter.
    double gap_deg = 0.0;
    double gap_height_m = in.seat_height_m;
    std::string_view gap_basis = "usual for the kind of lifter";
    if (!(given_050 && given_seat)) {
      Spread gap = seat_gap_of(lifter_, card_.described_as);
      if (card_.described_as == Card::Words::stock && !solid()) {
        gap_basis = "long ramps of a stock cam";
      }
      if (exhaust.duration_050_deg && exhaust.duration_seat_deg) {
        gap = {*exhaust.duration_seat_deg - *exhaust.duration_050_deg, 3.0};
        gap_basis = "ramps as the exhaust lobe's";
      } else if (card_.seat_height_m) {
        gap_height_m = seat_height_of(lifter_).mean;
      }
      const bool seat_only = given_seat && !given_050;
      gap_deg = draws_.normal(seat_only ? kKey050 : kKeySeat, gap);
    }

    std::string_view basis_050 = gap_basis;
    double duration_050_deg = 0.0;
    bool seat_follows = true;  // the seat duration follows from the one at 0.050 in, or vice versa
    if (given_050) {
      duration_050_deg = *intake.duration_050_deg;
    } else if (given_seat) {
      duration_050_deg = *intake.duration_seat_deg - gap_deg;
      seat_follows = false;
    } else {
      Spread duration = duration_of_unknown_cam();
      basis_050 = "a wide guess between mild and street";
      if (exhaust.duration_050_deg) {
        duration = {*exhaust.duration_050_deg - 6.0, 5.0};
        basis_050 = "6 degrees less than the exhaust's, usual";
      } else if (exhaust.duration_seat_deg) {
        duration = {*exhaust.duration_seat_deg - gap_deg - 6.0, 5.0};
        basis_050 = "from the exhaust's seat duration";
      } else if (card_.described_as) {
        duration = duration_of_word(*card_.described_as);
        basis_050 = "usual for a cam so described";
      }
      duration_050_deg = std::clamp(draws_.normal(kKey050, duration), 165.0, 310.0);
    }

    const Spread usual = exhaust.valve_lift_m
                             ? Spread{*exhaust.valve_lift_m / 1.02, 0.015 * *exhaust.valve_lift_m}
                             : valve_lift_at(duration_050_deg, in.bore_m, engine_.build.valvetrain,
                                             engine_.build.intake_valves);
    const Lift lift = complete_lift(
        true, intake, usual,
        exhaust.valve_lift_m ? "slightly less than the exhaust's" : "usual for duration and bore");
    in.intake_rocker_ratio = lift.rocker_ratio;
    in.intake_valve_lift_m = lift.valve_lift_m;

    Durations durations{};
    if (given_050 && given_seat) {
      durations = {*intake.duration_050_deg, *intake.duration_seat_deg};
    } else {
      gap_deg = gap_at_seat_height(gap_deg, gap_height_m, duration_050_deg, lift.lobe_m());
      durations =
          feasible(seat_follows ? std::optional(duration_050_deg) : std::nullopt,
                   seat_follows ? std::nullopt : intake.duration_seat_deg, gap_deg, lift.lobe_m());
    }
    in.intake_duration_050_deg = durations.at_050_deg;
    in.intake_duration_seat_deg = durations.seat_deg;
    if (!given_050) draws_.note(kKey050, durations.at_050_deg, "deg", basis_050);
    if (!given_seat) draws_.note(kKeySeat, durations.seat_deg, "deg", gap_basis);
  }

  void complete_exhaust_lobe(const StatedLobe& intake, const StatedLobe& exhaust) {
    Inputs<double>& in = engine_.inputs;
    constexpr std::string_view kKey050 = "cam.duration_050.exhaust";
    constexpr std::string_view kKeySeat = "cam.duration_seat.exhaust";
    const bool given_050 = exhaust.duration_050_deg.has_value();
    const bool given_seat = exhaust.duration_seat_deg.has_value();

    // Both lobes of a cam have ramps of a kind.
    const double intake_gap_deg = in.intake_duration_seat_deg - in.intake_duration_050_deg;
    double gap_deg = 0.0;
    if (!(given_050 && given_seat)) {
      const bool seat_only = given_seat && !given_050;
      gap_deg = draws_.normal(seat_only ? kKey050 : kKeySeat, {intake_gap_deg, 3.0});
    }
    double duration_050_deg = 0.0;
    bool seat_follows = true;
    if (given_050) {
      duration_050_deg = *exhaust.duration_050_deg;
    } else if (given_seat) {
      duration_050_deg = *exhaust.duration_seat_deg - gap_deg;
      seat_follows = false;
    } else {
      duration_050_deg =
          std::clamp(draws_.normal(kKey050, {in.intake_duration_050_deg + 6.0, 5.0}), 165.0, 320.0);
    }

    const Lift lift = complete_lift(
        false, exhaust, {1.02 * in.intake_valve_lift_m, 0.015 * in.intake_valve_lift_m},
        intake.valve_lift_m ? "slightly more than the intake's" : "usual for duration and bore");
    in.exhaust_rocker_ratio = lift.rocker_ratio;
    in.exhaust_valve_lift_m = lift.valve_lift_m;

    Durations durations{};
    if (given_050 && given_seat) {
      durations = {*exhaust.duration_050_deg, *exhaust.duration_seat_deg};
    } else {
      durations =
          feasible(seat_follows ? std::optional(duration_050_deg) : std::nullopt,
                   seat_follows ? std::nullopt : exhaust.duration_seat_deg, gap_deg, lift.lobe_m());
    }
    in.exhaust_duration_050_deg = durations.at_050_deg;
    in.exhaust_duration_seat_deg = durations.seat_deg;
    if (!given_050) {
      draws_.note(kKey050, durations.at_050_deg, "deg",
                  given_seat ? "ramps as the intake lobe's" : "6 degrees more than the intake's");
    }
    if (!given_seat) {
      draws_.note(kKeySeat, durations.seat_deg, "deg", "ramps as the intake lobe's");
    }
  }

  void complete_timing() {
    Inputs<double>& in = engine_.inputs;
    Spread separation = lobe_separation_at(in.intake_duration_050_deg);
    std::string_view basis = "usual for the duration";
    if (card_.intake_centerline_deg) {
      // Two things known of it, each within 2 degrees: the mean of both, within 2 / sqrt(2).
      separation.mean = 0.5 * (separation.mean + *card_.intake_centerline_deg + 4.0);
      separation.sd /= std::sqrt(2.0);
      basis = "from the duration and the intake centreline";
    }
    in.lobe_separation_deg = given_or(card_.lobe_separation_deg, "cam.lobe_separation", separation,
                                      98.0, 122.0, 1.0, "deg", basis);
    in.intake_centerline_deg = given_or(card_.intake_centerline_deg, "cam.intake_centerline",
                                        {in.lobe_separation_deg - 4.0, 2.0}, 90.0, 130.0, 1.0,
                                        "deg", "4 degrees ahead of the lobe separation, usual");
  }

  void complete_lash() {
    Inputs<double>& in = engine_.inputs;
    in.intake_lash_m = in.exhaust_lash_m = 0.0;
    if (!solid()) return;
    // Where a rocker multiplies the clearance at the lobe, more lash is set at the valve.
    const bool pushrod = engine_.build.valvetrain == Valvetrain::pushrod;
    const Spread usual = pushrod ? Spread{0.018 * kInch_m, 0.004 * kInch_m}
                                 : Spread{0.010 * kInch_m, 0.003 * kInch_m};
    in.intake_lash_m = given_or(card_.lash_m.intake, "cam.lash.intake", usual, 0.002 * kInch_m,
                                0.035 * kInch_m, kInch_m, "in", "usual for solid lifters");
    const Spread exhaust = card_.lash_m.intake
                               ? Spread{in.intake_lash_m + 0.002 * kInch_m, 0.001 * kInch_m}
                               : Spread{usual.mean + 0.002 * kInch_m, usual.sd};
    in.exhaust_lash_m = given_or(
        card_.lash_m.exhaust, "cam.lash.exhaust", exhaust, 0.002 * kInch_m, 0.035 * kInch_m,
        kInch_m, "in",
        card_.lash_m.intake ? "0.002 in more than the intake's" : "usual for solid lifters");
  }

  void complete_valves() {
    Inputs<double>& in = engine_.inputs;
    const Spread intake = intake_valve_share(engine_.build.intake_valves);
    const Spread exhaust = exhaust_valve_share(engine_.build.exhaust_valves);
    in.intake_valve_diameter_m =
        given_or(card_.intake_valve_diameter_m, "engine.valves.intake_diameter",
                 {intake.mean * in.bore_m, intake.sd * in.bore_m}, 0.25 * in.bore_m,
                 0.55 * in.bore_m, kInch_m, "in", "usual share of the bore");
    // Beside a given intake valve the exhaust valve is the usual share of that.
    const double share = exhaust.mean / intake.mean;
    const Spread size =
        card_.intake_valve_diameter_m
            ? Spread{share * in.intake_valve_diameter_m, 0.025 * in.intake_valve_diameter_m}
            : Spread{exhaust.mean * in.bore_m, exhaust.sd * in.bore_m};
    in.exhaust_valve_diameter_m =
        given_or(card_.exhaust_valve_diameter_m, "engine.valves.exhaust_diameter", size,
                 0.2 * in.bore_m, 0.5 * in.bore_m, kInch_m, "in",
                 card_.intake_valve_diameter_m ? "usual share of the intake valve"
                                               : "usual share of the bore");
  }

  // --- Idle

  Card::Gear idle_gear() const { return card_.gear.value_or(Card::Gear::neutral); }
  Card::Gear known_gear() const { return card_.known.gear.value_or(idle_gear()); }

  void complete_idle() {
    Inputs<double>& in = engine_.inputs;
    const double duration_deg = in.intake_duration_050_deg;
    if (!card_.gear) draws_.note_word("idle.gear", "neutral", "usual");

    // Engine speed in drive is lower than in neutral at the same setting.
    const auto drop_rpm = [](Card::Gear gear) {
      return gear == Card::Gear::drive ? kDriveSpeedDrop_rpm : 0.0;
    };
    Spread speed = idle_speed_at(duration_deg, card_.cylinders);
    speed.mean -= drop_rpm(idle_gear());
    if (card_.air_conditioning.value_or(false)) speed.mean += kAirConditioningRaise_rpm;
    std::string_view speed_basis = "usual for the duration and the number of cylinders";
    if (card_.known.speed_rpm) {
      speed = {*card_.known.speed_rpm + drop_rpm(known_gear()) - drop_rpm(idle_gear()), 40.0};
      speed_basis = "as in the known reading";
    }
    in.speed_rpm =
        given_or(card_.speed_rpm, "idle.speed", speed, 450.0, 1600.0, 1.0, "rpm", speed_basis);

    Spread spark = idle_spark_at(duration_deg);
    if (card_.known.spark_btdc_deg) spark.mean = *card_.known.spark_btdc_deg;
    in.spark_btdc_deg =
        given_or(card_.spark_btdc_deg, "idle.spark", spark, -5.0, 45.0, 1.0, "deg",
                 card_.known.spark_btdc_deg ? "as in the known reading" : "usual for the duration");
    in.lambda = given_or(card_.lambda, "idle.mixture", idle_lambda_at(duration_deg), 0.80, 1.05,
                         1.0, "lambda", "usual for the duration");
    complete_air();
    in.intake_air_K = complete_intake_air();
    complete_converter();
    if (at_known_) {
      const auto& known = card_.known;
      in.speed_rpm =
          known.speed_rpm.value_or(in.speed_rpm + drop_rpm(idle_gear()) - drop_rpm(known_gear()));
      in.spark_btdc_deg = known.spark_btdc_deg.value_or(in.spark_btdc_deg);
    }
    const Card::Gear gear = at_known_ ? known_gear() : idle_gear();
    in.converter_torque_Nm =
        gear == Card::Gear::drive
            ? converter_torque_Nm(in.speed_rpm, stall_speed_rpm_, stall_torque_Nm_)
            : 0.0;
  }

  void complete_air() {
    Inputs<double>& in = engine_.inputs;
    const auto& known = card_.known;
    if (card_.barometer_Pa) {
      in.barometer_Pa = *card_.barometer_Pa;
    } else if (!card_.altitude_m && known.barometer_Pa) {
      in.barometer_Pa = *known.barometer_Pa;
      const double altitude_m = altitude_at_pressure_m(in.barometer_Pa);
      draws_.note("idle.altitude", from_program_unit(altitude_m, "ft", Dimension::length), "ft",
                  "where the known reading was taken");
    } else {
      const bool near_reading = known.altitude_m.has_value();
      const double foot_m = to_program_unit(1.0, "ft", Dimension::length);
      const double altitude_m =
          given_or(card_.altitude_m, "idle.altitude",
                   {known.altitude_m.value_or(0.0), 300.0 * foot_m}, -450.0, 4600.0, foot_m, "ft",
                   near_reading ? "near where the known reading was taken"
                                : "sea level, as most vacuum figures are meant");
      in.barometer_Pa = pressure_at_altitude_Pa(altitude_m);
    }
    if (!at_known_) return;
    if (known.barometer_Pa) {
      in.barometer_Pa = *known.barometer_Pa;
    } else if (known.altitude_m) {
      in.barometer_Pa = pressure_at_altitude_Pa(*known.altitude_m);
    }
  }

  double complete_intake_air() {
    if (card_.intake_air_K) return *card_.intake_air_K;
    const double air_degF = std::clamp(draws_.normal("idle.intake_air", {95.0, 15.0}), 30.0, 160.0);
    draws_.note("idle.intake_air", air_degF, "degF", "under a warm bonnet");
    return to_program_unit(air_degF, "degF", Dimension::temperature);
  }

  void complete_converter() {
    const bool drive = idle_gear() == Card::Gear::drive ||
                       (card_.known.vacuum_Pa && known_gear() == Card::Gear::drive);
    if (!drive) return;
    stall_speed_rpm_ = given_or(card_.stall_speed_rpm, "idle.converter.stall_speed",
                                {1800.0, 250.0}, 1000.0, 4000.0, 1.0, "rpm", "a stock converter");
    const double reference_Nm = 300.0 * kPoundForceFoot_Nm * displacement_m3(engine_) / 5.7e-3;
    stall_torque_Nm_ =
        given_or(card_.stall_torque_Nm, "idle.converter.stall_torque",
                 {reference_Nm, 0.2 * reference_Nm}, 0.2 * reference_Nm, 2.0 * reference_Nm,
                 kPoundForceFoot_Nm, "lbf.ft", "a stock converter, by displacement");
  }

  // --- Accessories

  // Mean and deviation of a power that is taken with some probability.
  static Spread maybe_taken(double probability, double power_W, double share_sd) {
    return {probability * power_W, power_W * std::sqrt(probability * (1.0 - probability) +
                                                       probability * share_sd * share_sd)};
  }

  // Power of one accessory that may be given as on or off, or not given; what is off takes none.
  double accessory_W(std::string_view key, std::optional<bool> on, double chance_if_unknown,
                     double power_W, double share_sd, std::string_view basis_on,
                     std::string_view basis_unknown) {
    if (on && !*on) return 0.0;
    const Spread spread = maybe_taken(on ? 1.0 : chance_if_unknown, power_W, share_sd);
    const double taken_W = std::max(0.0, draws_.normal(key, spread));
    draws_.note(key, taken_W, "W", on ? basis_on : basis_unknown);
    return taken_W;
  }

  void complete_accessories() {
    const bool pushrod = engine_.build.valvetrain == Valvetrain::pushrod;
    const std::optional<bool> belt_fan =
        card_.fan ? std::optional(*card_.fan == Card::Fan::belt) : std::nullopt;
    // An electric fan comes and goes, and the alternator carries it.
    const bool electric_fan = card_.fan == Card::Fan::electric;
    const Spread current = electric_fan ? Spread{30.0, 10.0} : Spread{25.0, 8.0};
    const double current_A =
        given_or(card_.alternator_A, "idle.accessories.alternator", current, 0.0, 120.0, 1.0, "A",
                 electric_fan ? "ignition, pump, injectors and part of an electric fan"
                              : "ignition, pump, injectors and gauges");
    double power_W = alternator_power_W(current_A);
    power_W += accessory_W("idle.accessories.fan", belt_fan, pushrod ? 0.7 : 0.2,
                           belt_fan_power_W(engine_.inputs.speed_rpm, displacement_m3(engine_)),
                           kFanSpread, "usual power of a belt fan at this speed",
                           pushrod ? "a belt fan is likely" : "an electric fan is likely");
    const int cylinders = engine_.build.cylinders;
    power_W +=
        accessory_W("idle.accessories.power_steering", card_.power_steering,
                    cylinders >= 8   ? 0.8
                    : cylinders >= 5 ? 0.5
                                     : 0.3,
                    power_steering_power_W(), kSteeringSpread,
                    "usual power of a steering pump, wheels straight",
                    cylinders >= 8 ? "power steering is likely" : "power steering is possible");
    if (card_.air_conditioning) {
      power_W += accessory_W("idle.accessories.air_conditioning", card_.air_conditioning, 0.0,
                             air_conditioning_power_W(), kCompressorSpread,
                             "usual power of a compressor at idle", "");
    } else {
      draws_.note_word("idle.accessories.air_conditioning", "off", "off while an idle is judged");
    }
    engine_.inputs.accessory_power_W = power_W;
  }

  const Card& card_;
  Draws& draws_;
  bool at_known_;
  Engine engine_;
  Card::Lifter lifter_ = Card::Lifter::hydraulic_flat;
  double stall_speed_rpm_ = 0.0, stall_torque_Nm_ = 0.0;
};

Engine run(const Card& card, Draws draws, bool at_known) {
  return Completer(card, draws, at_known).run();
}

// d inputs / d latent and d assumed values / d latent, by central differences.
struct LatentSlopes {
  Eigen::MatrixXd inputs, assumed;
};
LatentSlopes latent_slopes(const Card& card, std::size_t latent_count, std::size_t assumed_count,
                           bool at_known) {
  const auto columns = static_cast<Eigen::Index>(latent_count);
  LatentSlopes slopes;
  slopes.inputs.setZero(static_cast<Eigen::Index>(kInputCount), columns);
  slopes.assumed.setZero(static_cast<Eigen::Index>(assumed_count), columns);
  Eigen::VectorXd latent = Eigen::VectorXd::Zero(columns);
  std::array<std::vector<Assumption>, 2> assumed;
  std::array<Engine, 2> engine;
  for (Eigen::Index j = 0; j < columns; ++j) {
    for (std::size_t k = 0; k < 2; ++k) {
      latent[j] = k == 0 ? -kLatentStep : kLatentStep;
      assumed[k].clear();
      engine[k] = run(card, Draws(latent, nullptr, &assumed[k]), at_known);
    }
    latent[j] = 0.0;
    for (std::size_t i = 0; i < kInputCount; ++i) {
      slopes.inputs(static_cast<Eigen::Index>(i), j) =
          (input_value(engine[1].inputs, i) - input_value(engine[0].inputs, i)) /
          (2.0 * kLatentStep);
    }
    for (std::size_t i = 0; i < assumed_count; ++i) {
      slopes.assumed(static_cast<Eigen::Index>(i), j) =
          (assumed[1][i].value - assumed[0][i].value) / (2.0 * kLatentStep);
    }
  }
  return slopes;
}

}  // namespace

Completion complete(const EngineCard& card) {
  EngineCard checked = card;
  checked.warnings.clear();
  check_card(checked, [&](std::string_view key) {
    const auto place = card.where.find(std::string(key));
    return KeyPlace{place == card.where.end() ? InputError::Where{} : place->second, ""};
  });

  Completion result;
  const Eigen::VectorXd none;
  result.engine = run(card, Draws(none, &result.latent_keys, &result.assumed), false);
  const LatentSlopes slopes =
      latent_slopes(card, result.latent_keys.size(), result.assumed.size(), false);
  result.input_per_latent = slopes.inputs;
  // Where nothing is unknown there is no column: Eigen's row() of such a matrix is undefined.
  for (std::size_t i = 0; slopes.assumed.cols() > 0 && i < result.assumed.size(); ++i) {
    result.assumed[i].sd = slopes.assumed.row(static_cast<Eigen::Index>(i)).norm();
  }
  if (card.known.vacuum_Pa) {
    KnownPoint known;
    known.engine = run(card, Draws(none), true);
    known.map_Pa = known.engine.inputs.barometer_Pa - *card.known.vacuum_Pa;
    known.input_per_latent = latent_slopes(card, result.latent_keys.size(), 0, true).inputs;
    result.known = std::move(known);
  }
  for (const std::string& warning : checked.warnings) {
    const auto& known = card.warnings;
    if (std::find(known.begin(), known.end(), warning) == known.end()) {
      result.warnings.push_back(warning);
    }
  }
  if (!card.lifter) {
    result.warnings.push_back(std::string("The kind of lifter is not given: ") +
                              (card.lash_m.intake || card.lash_m.exhaust ? "solid" : "hydraulic") +
                              " flat lifters are assumed.");
  }
  return result;
}

Engine complete_at(const EngineCard& card, const Eigen::VectorXd& latent) {
  return run(card, Draws(latent), false);
}

Engine known_engine_at(const EngineCard& card, const Eigen::VectorXd& latent) {
  return run(card, Draws(latent), true);
}

}  // namespace idlefit
