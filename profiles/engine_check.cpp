#include "profiles/engine_check.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <utility>

#include "model/atmosphere.h"
#include "model/cam.h"
#include "model/constants.h"
#include "profiles/engine_keys.h"
#include "profiles/practice.h"
#include "profiles/units.h"

namespace idlefit {
namespace {

// Displacement and bore x stroke may differ by the rounding of catalogue numbers.
constexpr double kDisplacementTolerance = 0.01;

// What a cylinder of any road engine sweeps, m^3: catches cc for in3 and the displacement of one
// cylinder for that of all.
constexpr double kCylinderMin_m3 = 0.08e-3, kCylinderMax_m3 = 2.2e-3;

// Room for valve heads, as a share of the bore: circles side by side in a circle, with an allowance
// for valves tilted in a hemispherical or pent roof.
struct ValveRoom {
  double each_intake, sum;  // one intake head; one intake and one exhaust head
};
ValveRoom valve_room(ValveCount count) {
  if (count.intake == 1) return {0.65, 1.05};
  if (count.intake == 2) return {0.48, count.exhaust == 1 ? 0.95 : 0.92};
  return {0.42, 0.85};
}

// Lobes at the edge of what the lift law covers: such numbers hardly belong to one cam.
constexpr double kPowerHardlyMin = 1.55, kPowerHardlyMax = 7.6;

std::string inches(double length_m, int digits = 4) {
  return number_text(length_m / kInch_m, digits) + " in";
}

class Checker {
 public:
  Checker(EngineCard& card, const FindKey& find_key) : card_(card), find_(find_key) {}

  void run() {
    check_enough();
    check_displacement();
    check_rod();
    check_valves();
    check_timing();
    check_lobe(true);
    check_lobe(false);
    check_words();
    check_lash();
    check_air("idle", card_.altitude_m, card_.barometer_Pa);
    check_air("known", card_.known.altitude_m, card_.known.barometer_Pa);
    check_known();
    check_converter();
  }

 private:
  [[noreturn]] void fail(std::string_view path, std::string expected, std::string next_step) const {
    const KeyPlace place = find_(path);
    throw InputError(place.where, std::string(path), key_text(card_, path), std::move(expected),
                     std::move(next_step), place.excerpt);
  }
  void warn(std::string text) { card_.warnings.push_back(std::move(text)); }

  void check_enough() const {
    if (card_.cylinders <= 0) {
      fail("engine.cylinders", "the number of cylinders",
           "Add it, such as \"engine: {cylinders: 8}\".");
    }
    if (!card_.displacement_m3) {
      if (!card_.bore_m && !card_.stroke_m) {
        fail("engine.displacement", "a displacement, or bore with stroke",
             "Add one, such as \"displacement: 350 in3\".");
      }
      if (!card_.stroke_m) {
        fail("engine.stroke", "the stroke beside the bore", "Add it, or the displacement.");
      }
      if (!card_.bore_m) {
        fail("engine.bore", "the bore beside the stroke", "Add it, or the displacement.");
      }
    }
    const bool cam_known = card_.duration_050_deg.intake || card_.duration_050_deg.exhaust ||
                           card_.duration_seat_deg.intake || card_.duration_seat_deg.exhaust ||
                           card_.described_as || card_.known.vacuum_Pa;
    if (!cam_known) {
      fail("cam.described_as",
           "something about the cam: duration_050, duration_seat, described_as, or known.vacuum",
           "Add what is known, such as \"cam: {described_as: mild}\".");
    }
  }

  void check_displacement() const {
    const bool both = card_.bore_m && card_.stroke_m;
    const std::string_view key = card_.displacement_m3 ? "engine.displacement" : "engine.bore";
    double swept_m3 = card_.displacement_m3.value_or(0.0);
    if (both) {
      const double from_bore_m3 = kPi / 4.0 * *card_.bore_m * *card_.bore_m * *card_.stroke_m *
                                  static_cast<double>(card_.cylinders);
      if (card_.displacement_m3 &&
          std::fabs(from_bore_m3 / swept_m3 - 1.0) > kDisplacementTolerance) {
        const double in3 = from_program_unit(from_bore_m3, "in3", Dimension::volume);
        const double litres = from_program_unit(from_bore_m3, "L", Dimension::volume);
        fail(key,
             "the " + number_text(in3, 4) + " in3 (" + number_text(litres, 3) +
                 " L) that bore and stroke give, within 1 %",
             "Correct one of bore, stroke, cylinders and displacement, or leave the displacement "
             "out.");
      }
      swept_m3 = from_bore_m3;
    }
    const double cylinder_m3 = swept_m3 / static_cast<double>(card_.cylinders);
    if (cylinder_m3 < kCylinderMin_m3 || cylinder_m3 > kCylinderMax_m3) {
      fail(key,
           number_text(kCylinderMin_m3 * 1e6, 3) + " to " + number_text(kCylinderMax_m3 * 1e6, 4) +
               " cc in each of " + std::to_string(card_.cylinders) + " cylinders, not " +
               number_text(cylinder_m3 * 1e6, 3),
           displacement_advice());
    }
    if (!both && (card_.bore_m || card_.stroke_m)) {
      const BoreStroke size = bore_and_stroke(card_, 1.0);
      const double ratio = size.bore_m / size.stroke_m;
      if (ratio < 0.5 || ratio > 2.0) {
        fail(key,
             "a displacement that leaves a possible " +
                 std::string(card_.bore_m ? "stroke" : "bore") + ", not " +
                 inches(card_.bore_m ? size.stroke_m : size.bore_m),
             "Correct the displacement, or give bore and stroke.");
      }
    }
  }

  std::string displacement_advice() const {
    if (card_.displacement_m3) {
      // 350 cc for 350 in3, 350 in3 for 3.5 L: the same digits in another unit.
      const double number_cc = from_program_unit(*card_.displacement_m3, "cc", Dimension::volume);
      const double as_in3_m3 = to_program_unit(number_cc, "in3", Dimension::volume);
      const double each = as_in3_m3 / static_cast<double>(card_.cylinders);
      if (each >= kCylinderMin_m3 && each <= kCylinderMax_m3) {
        return "Did you mean " + number_text(number_cc, 4) +
               " in3? Give the displacement of all cylinders together.";
      }
    }
    return "Give the displacement of all cylinders together.";
  }

  void check_rod() const {
    if (!card_.rod_length_m || !(card_.stroke_m || card_.displacement_m3)) return;
    const double stroke_m = bore_and_stroke(card_, bore_over_stroke(card_.cylinders).mean).stroke_m;
    const double ratio = *card_.rod_length_m / stroke_m;
    if (ratio < 1.15 || ratio > 3.2) {
      fail("engine.rod_length",
           inches(1.15 * stroke_m, 3) + " to " + inches(3.2 * stroke_m, 3) + " with a stroke of " +
               inches(stroke_m, 3),
           "Give the length from centre to centre, or leave the key out if it is not known.");
    }
  }

  void check_valves() {
    const ValveCount count = valve_count(stated_or_usual_valves(card_));
    const ValveRoom room = valve_room(count);
    // Where the bore is not given it may be wider than assumed: by two deviations.
    const Spread ratio = bore_over_stroke(card_.cylinders);
    const double bore_m = bore_and_stroke(card_, ratio.mean + 2.0 * ratio.sd).bore_m;
    const auto too_big = [&](std::string_view path, double largest_m) {
      fail(path,
           "at most " + inches(largest_m, 3) + " (" + number_text(largest_m * 1000.0, 3) +
               " mm) in a bore of " + inches(bore_m, 4) + " with " +
               std::to_string(count.intake + count.exhaust) + " valves",
           "Give the diameter of the valve's head, or check the bore and the number of valves.");
    };
    if (card_.intake_valve_diameter_m &&
        *card_.intake_valve_diameter_m > room.each_intake * bore_m) {
      too_big("engine.valves.intake_diameter", room.each_intake * bore_m);
    }
    if (card_.exhaust_valve_diameter_m &&
        *card_.exhaust_valve_diameter_m > room.each_intake * bore_m) {
      too_big("engine.valves.exhaust_diameter", room.each_intake * bore_m);
    }
    if (card_.intake_valve_diameter_m && card_.exhaust_valve_diameter_m) {
      if (*card_.intake_valve_diameter_m + *card_.exhaust_valve_diameter_m > room.sum * bore_m) {
        too_big("engine.valves.exhaust_diameter",
                room.sum * bore_m - *card_.intake_valve_diameter_m);
      }
      if (*card_.exhaust_valve_diameter_m > 1.05 * *card_.intake_valve_diameter_m) {
        warn("The exhaust valve is given larger than the intake valve: are the two swapped?");
      }
    }
  }

  void check_timing() {
    if (!card_.lobe_separation_deg || !card_.intake_centerline_deg) return;
    const double advance_deg = *card_.lobe_separation_deg - *card_.intake_centerline_deg;
    if (std::fabs(advance_deg) > 20.0) {
      fail("cam.intake_centerline",
           number_text(*card_.lobe_separation_deg - 20.0) + " to " +
               number_text(*card_.lobe_separation_deg + 20.0) + " with a lobe separation of " +
               number_text(*card_.lobe_separation_deg),
           "Leave the key out if the installed centreline is not known.");
    }
    if (std::fabs(advance_deg) > 10.0) {
      warn("The intake centreline is " + number_text(std::fabs(advance_deg)) + " degrees " +
           (advance_deg > 0 ? "ahead of" : "behind") +
           " the lobe separation; most cams are set 0 to 8 degrees ahead.");
    }
  }

  void check_lobe(bool intake) {
    const std::string side = intake ? "intake" : "exhaust";
    const StatedLobe lobe = stated_lobe(card_, intake);
    const std::string key_050 = "cam.duration_050." + side, key_seat = "cam.duration_seat." + side;
    if (lobe.duration_050_deg && lobe.duration_seat_deg &&
        *lobe.duration_seat_deg <= *lobe.duration_050_deg + 5.0) {
      fail(key_seat,
           "more than the " + number_text(*lobe.duration_050_deg) +
               " degrees at 0.050 in, by about 35 to 80",
           *lobe.duration_seat_deg < *lobe.duration_050_deg - 25.0
               ? "Are the two swapped?"
               : "Leave one of the two out if it is not known.");
    }
    check_lift(intake, side, lobe);
    if (!lobe.duration_050_deg || !lobe.duration_seat_deg) return;

    // With lift or rocker ratio not given, any that an engine of the kind can have.
    const double height_m =
        card_.seat_height_m.value_or(seat_height_of(stated_or_usual_lifter(card_)).mean);
    const LiftRange possible =
        lobe_lift_range(*lobe.duration_050_deg, *lobe.duration_seat_deg, height_m);
    const bool pushrod = stated_or_usual_valvetrain(card_) == Valvetrain::pushrod;
    const double usual_m = usual_valve_lift_m(*lobe.duration_050_deg);
    const double low_m = lobe.valve_lift_m.value_or(0.75 * usual_m) /
                         lobe.rocker_ratio.value_or(pushrod ? 1.8 : 1.05);
    const double high_m = lobe.valve_lift_m.value_or(1.25 * usual_m) /
                          lobe.rocker_ratio.value_or(pushrod ? 1.3 : 0.95);
    // A hair of slack, so that numbers which meet the limit exactly are not refused.
    constexpr double kSlack = 1e-9;
    if (possible.low_m > possible.high_m || low_m > possible.high_m * (1.0 + kSlack) ||
        high_m < possible.low_m * (1.0 - kSlack)) {
      std::string expected = "a seat duration that one lobe can show with " +
                             number_text(*lobe.duration_050_deg) + " degrees at 0.050 in";
      if (lobe.valve_lift_m && lobe.rocker_ratio) {
        expected += " and a lobe lift of " + inches(low_m, 3);
      } else if (lobe.valve_lift_m) {
        expected += " and a valve lift of " + inches(*lobe.valve_lift_m, 3);
      }
      // The higher the lift the shorter is the seat duration.
      const auto seat_at = [&](double power, double lift_m) {
        return *lobe.duration_050_deg +
               seat_gap_deg(power, *lobe.duration_050_deg, lift_m, height_m);
      };
      const double shortest_deg = seat_at(kLobePowerMin, std::min(high_m, kLobeLiftMax_m));
      const double longest_deg = seat_at(kLobePowerMax, std::max(low_m, kLobeLiftMin_m));
      expected += " (" + number_text(std::ceil(shortest_deg)) + " to " +
                  number_text(std::floor(longest_deg)) + ")";
      fail(key_seat, expected + ", not " + number_text(*lobe.duration_seat_deg),
           std::string("Check both durations and the lift") +
               (card_.seat_height_m ? " against the cam card."
                                    : ", and give seat_height if the seat duration is counted at "
                                      "another lift than " +
                                          inches(height_m, 3) + "."));
    }
    if (!lobe.valve_lift_m) return;
    const double lift_m =
        *lobe.valve_lift_m / lobe.rocker_ratio.value_or(usual_rocker_ratio(card_));
    const double power =
        lobe_power(*lobe.duration_050_deg, *lobe.duration_seat_deg, lift_m, height_m).power;
    if (power < kPowerHardlyMin || power > kPowerHardlyMax) {
      warn("The " + side + " durations, " + number_text(*lobe.duration_050_deg) +
           " at 0.050 in and " + number_text(*lobe.duration_seat_deg) + " at " +
           inches(height_m, 3) + ", hardly agree with a lobe lift of " + inches(lift_m, 3) +
           ": check them against the cam card.");
    }
  }

  void check_lift(bool intake, const std::string& side, const StatedLobe& lobe) {
    if (!lobe.valve_lift_m) return;
    const std::string key = "cam.valve_lift." + side;
    const double ratio = lobe.rocker_ratio.value_or(usual_rocker_ratio(card_));
    const double lobe_lift_m = *lobe.valve_lift_m / ratio;
    if (lobe_lift_m < kLobeLiftMin_m || lobe_lift_m > kLobeLiftMax_m) {
      fail(key,
           "a lobe lift of " + inches(kLobeLiftMin_m) + " to " + inches(kLobeLiftMax_m) + ", not " +
               inches(lobe_lift_m, 3) + ", with a rocker ratio of " + number_text(ratio, 3),
           "Valve lift is lobe lift times rocker ratio.");
    }
    const auto diameter_m = intake ? card_.intake_valve_diameter_m : card_.exhaust_valve_diameter_m;
    if (diameter_m && *lobe.valve_lift_m > 0.6 * *diameter_m) {
      fail(key, "at most 0.6 of the valve's diameter, " + inches(0.6 * *diameter_m, 3),
           "Check the lift and the valve diameter.");
    }
    if (!lobe.duration_050_deg || ratio < 1.2) return;
    const double usual_m = usual_valve_lift_m(*lobe.duration_050_deg);
    // Far below the usual lift, and usual once multiplied by the rocker ratio.
    if (*lobe.valve_lift_m < 0.75 * usual_m &&
        std::fabs(*lobe.valve_lift_m * ratio / usual_m - 1.0) < 0.2) {
      warn("The " + side + " valve lift of " + inches(*lobe.valve_lift_m, 3) +
           " is little for its duration: is it the lobe lift? Times the rocker ratio it would be " +
           inches(*lobe.valve_lift_m * ratio, 3) + ".");
    }
  }

  double usual_valve_lift_m(double duration_050_deg) const {
    const ValveCount count = valve_count(stated_or_usual_valves(card_));
    const double ratio = bore_over_stroke(card_.cylinders).mean;
    return valve_lift_at(duration_050_deg, bore_and_stroke(card_, ratio).bore_m,
                         stated_or_usual_valvetrain(card_), count.intake)
        .mean;
  }

  void check_words() {
    const auto& duration = card_.duration_050_deg.intake;
    const auto& seat = card_.duration_seat_deg.intake;
    if (duration && card_.described_as) {
      const Spread usual = duration_of_word(*card_.described_as);
      if (std::fabs(*duration - usual.mean) > 4.0 * usual.sd) {
        warn("A cam described as " + key_text(card_, "cam.described_as") + " usually has about " +
             number_text(usual.mean) + " degrees at 0.050 in, not " + number_text(*duration) +
             (*duration > usual.mean && !seat ? ": is it the seat duration? The number is used."
                                              : ". The number is used."));
        return;
      }
    }
    if (duration && !seat && *duration > 262.0) {
      warn("A duration of " + number_text(*duration) +
           " at 0.050 in is that of a full race cam: is it the seat duration?");
    }
    if (seat && !duration && *seat < 236.0) {
      warn("A seat duration of " + number_text(*seat) +
           " is very short: is it the duration at 0.050 in?");
    }
  }

  void check_lash() const {
    const bool hydraulic = card_.lifter == EngineCard::Lifter::hydraulic_flat ||
                           card_.lifter == EngineCard::Lifter::hydraulic_roller;
    if (!hydraulic) return;
    for (const bool intake : {true, false}) {
      if (stated_lobe(card_, intake).lash_m) {
        fail(intake ? "cam.lash.intake" : "cam.lash.exhaust",
             "no lash with " + key_text(card_, "cam.lifter") + " lifters",
             "Remove the lash, or correct the lifter.");
      }
    }
  }

  void check_air(std::string_view section, const std::optional<double>& altitude_m,
                 const std::optional<double>& barometer_Pa) const {
    if (altitude_m && barometer_Pa) {
      fail(std::string(section) + ".barometer",
           "either the altitude or the barometer, not both (the altitude is given as " +
               key_text(card_, std::string(section) + ".altitude") + ")",
           "Keep the barometer if it was read on the spot, else the altitude.");
    }
  }

  void check_known() {
    const auto& known = card_.known;
    if (!known.vacuum_Pa) {
      if (known.speed_rpm || known.gear || known.spark_btdc_deg || known.altitude_m ||
          known.barometer_Pa) {
        warn(
            "The section known has no vacuum: what it says helps only to guess idle speed, spark "
            "and altitude.");
      }
      return;
    }
    const double altitude_m = known.altitude_m.value_or(card_.altitude_m.value_or(0.0));
    const bool altitude_first = known.altitude_m.has_value();
    const double barometer_Pa = known.barometer_Pa ? *known.barometer_Pa
                                                   : (!altitude_first && card_.barometer_Pa
                                                          ? *card_.barometer_Pa
                                                          : pressure_at_altitude_Pa(altitude_m));
    if (*known.vacuum_Pa > barometer_Pa - kLeastIdleMap_Pa) {
      const auto in_inHg = [](double pressure_Pa) {
        return number_text(pressure_Pa / kInchMercury_Pa, 3) + " inHg";
      };
      fail("known.vacuum",
           "less than " + in_inHg(barometer_Pa - kLeastIdleMap_Pa) + " at a barometer of " +
               in_inHg(barometer_Pa),
           "Give what a vacuum gauge shows, not the absolute manifold pressure.");
    }
  }

  void check_converter() {
    const bool stated = card_.stall_speed_rpm || card_.stall_torque_Nm;
    const bool drive =
        card_.gear == EngineCard::Gear::drive || card_.known.gear == EngineCard::Gear::drive;
    if (stated && !drive) {
      warn("The converter counts only in drive; the idle is in neutral.");
    }
    if (card_.stall_speed_rpm && card_.speed_rpm && *card_.stall_speed_rpm <= *card_.speed_rpm) {
      fail("idle.converter.stall_speed",
           "more than the idle speed of " + key_text(card_, "idle.speed"),
           "Correct one of the two, or leave the converter out if it is not known.");
    }
  }

  EngineCard& card_;
  const FindKey& find_;
};

// Ratio of seat to 0.050 in duration: it does not depend on the duration itself.
double duration_ratio(double power, double lift_m, double seat_height_m) {
  return 1.0 + seat_gap_deg(power, 1.0, lift_m, seat_height_m);
}

}  // namespace

void check_card(EngineCard& card, const FindKey& find_key) { Checker(card, find_key).run(); }

LiftRange lobe_lift_range(double duration_050_deg, double duration_seat_deg, double seat_height_m) {
  // At one power the ratio of the durations falls with the lift.
  const double wanted = duration_seat_deg / duration_050_deg;
  const auto lift_where = [&](double power) {
    double low_m = 1.0001 * kDurationHeight_m, high_m = 2.0 * kLobeLiftMax_m;
    for (int i = 0; i < 60; ++i) {
      const double middle_m = 0.5 * (low_m + high_m);
      (duration_ratio(power, middle_m, seat_height_m) > wanted ? low_m : high_m) = middle_m;
    }
    return 0.5 * (low_m + high_m);
  };
  LiftRange range{std::max(lift_where(kLobePowerMin), kLobeLiftMin_m),
                  std::min(lift_where(kLobePowerMax), kLobeLiftMax_m)};
  return range;
}

EngineCard::Lifter stated_or_usual_lifter(const EngineCard& card) {
  const bool lash = card.lash_m.intake || card.lash_m.exhaust;
  return card.lifter.value_or(lash ? EngineCard::Lifter::solid_flat
                                   : EngineCard::Lifter::hydraulic_flat);
}

StatedLobe stated_lobe(const EngineCard& card, bool intake) {
  const auto side = [&](const EngineCard::Pair& pair) {
    return intake ? pair.intake : pair.exhaust;
  };
  StatedLobe lobe{side(card.duration_050_deg), side(card.duration_seat_deg),
                  side(card.valve_lift_m), side(card.rocker_ratio), side(card.lash_m)};
  // The exhaust rocker ratio is the intake's unless it is given.
  if (!lobe.rocker_ratio) {
    lobe.rocker_ratio = intake ? card.rocker_ratio.exhaust : card.rocker_ratio.intake;
  }
  return lobe;
}

int stated_or_usual_valves(const EngineCard& card) { return card.valves_per_cylinder.value_or(2); }

Valvetrain stated_or_usual_valvetrain(const EngineCard& card) {
  return card.valvetrain.value_or(stated_or_usual_valves(card) > 2 ? Valvetrain::overhead
                                                                   : Valvetrain::pushrod);
}

double usual_rocker_ratio(const EngineCard& card) {
  return stated_or_usual_valvetrain(card) == Valvetrain::pushrod ? 1.5 : 1.0;
}

BoreStroke bore_and_stroke(const EngineCard& card, double bore_over_stroke) {
  if (card.bore_m && card.stroke_m) return {*card.bore_m, *card.stroke_m};
  // bore^2 stroke of one cylinder, m^3
  const double product = *card.displacement_m3 / (kPi / 4.0 * static_cast<double>(card.cylinders));
  if (card.bore_m) return {*card.bore_m, product / (*card.bore_m * *card.bore_m)};
  if (card.stroke_m) return {std::sqrt(product / *card.stroke_m), *card.stroke_m};
  const double bore_m = std::cbrt(product * bore_over_stroke);
  return {bore_m, bore_m / bore_over_stroke};
}

}  // namespace idlefit
