#pragma once

#include <cmath>
#include <type_traits>
#include <utility>

#include "model/engine.h"

namespace idlefit {

// Rubbing friction by component: K. J. Patton, R. G. Nitschke, J. B. Heywood, "Development and
// Evaluation of a Friction Model for Spark-Ignition Engines", SAE 890836 (1989). The published
// correlations take mm, rpm, m/s and give kPa; they stand here as published, SI outside.
// The paper's pumping terms are left out: the cycle resolves them.

/// What the friction correlations ask of an engine, SI. Journals are those of friction_geometry()
/// unless measured ones are put in.
template <class P>
struct FrictionGeometry {
  P bore_m, stroke_m, compression_ratio;
  P main_diameter_m, main_length_m;  ///< crankshaft main bearings
  P rod_diameter_m, rod_length_m;    ///< connecting-rod (crankpin) bearings
  P valve_lift_m;                    ///< greatest lift, mean over the valves
  double cylinders, main_bearings, rod_bearings, cam_bearings, valves;
  Valvetrain valvetrain;
  Tappet tappet;
};

/// Friction mean effective pressures of the components, Pa.
template <class T>
struct FrictionParts {
  T crank;          ///< main bearings and seals
  T reciprocating;  ///< rings, skirts and rod bearings, without gas pressure
  T gas_load;       ///< what gas pressure adds at the rings
  T valvetrain;     ///< cam bearings, cam faces, rockers
  T auxiliaries;    ///< oil pump, water pump, unloaded alternator
  T total() const { return crank + reciprocating + gas_load + valvetrain + auxiliaries; }
};

/// Friction geometry of an engine whose journals are not known: mains 0.61 B x 0.22 B, crankpins
/// 0.52 B x 0.24 B; main bearings one more than the cylinders of a bank (from memory, common
/// practice). Cam bearings, chosen: one more than the cylinders of a bank for every camshaft; one
/// camshaft with pushrods, else one per bank with two valves per cylinder and two with more.
template <class P>
FrictionGeometry<P> friction_geometry(const Build& build, const Inputs<P>& in) {
  const int banks = build.layout == Layout::inline_row ? 1 : 2;
  const int bearings_per_shaft = (build.cylinders + banks - 1) / banks + 1;
  const int valves_per_cylinder = build.intake_valves + build.exhaust_valves;
  const int camshafts =
      build.valvetrain == Valvetrain::pushrod ? 1 : banks * (valves_per_cylinder > 2 ? 2 : 1);

  FrictionGeometry<P> g;
  g.bore_m = in.bore_m;
  g.stroke_m = in.stroke_m;
  g.compression_ratio = in.compression_ratio;
  g.main_diameter_m = 0.61 * in.bore_m;
  g.main_length_m = 0.22 * in.bore_m;
  g.rod_diameter_m = 0.52 * in.bore_m;
  g.rod_length_m = 0.24 * in.bore_m;
  g.valve_lift_m =
      (static_cast<double>(build.intake_valves) * (in.intake_valve_lift_m - in.intake_lash_m) +
       static_cast<double>(build.exhaust_valves) * (in.exhaust_valve_lift_m - in.exhaust_lash_m)) /
      static_cast<double>(valves_per_cylinder);
  g.cylinders = build.cylinders;
  g.main_bearings = bearings_per_shaft;
  g.rod_bearings = build.cylinders;
  g.cam_bearings = camshafts * bearings_per_shaft;
  g.valves = valves_per_cylinder * build.cylinders;
  g.valvetrain = build.valvetrain;
  g.tappet = build.tappet;
  return g;
}

/// Constants of the valvetrain correlation for one kind of valvetrain.
struct ValvetrainFriction {
  double flat_follower;             ///< C_ff, kPa mm
  double roller_follower;           ///< C_rf, kPa mm / rpm
  double oscillating_hydrodynamic;  ///< C_oh, kPa mm^0.5 / rpm^0.5
  double oscillating_mixed;         ///< C_om, kPa
};

/// Valvetrain constants of SAE 890836 (its table, from memory); an overhead camshaft acts directly.
constexpr ValvetrainFriction valvetrain_friction(Valvetrain valvetrain) {
  return valvetrain == Valvetrain::pushrod ? ValvetrainFriction{400.0, 0.0151, 0.5, 32.1}
                                           : ValvetrainFriction{200.0, 0.0076, 0.5, 10.7};
}

/// Friction mean effective pressures (Pa) at a speed (rpm, 400 to 6000) and a manifold pressure
/// over the barometer (0.2 to 1); with B, S, D, L in mm, N in rpm, Sp the mean piston speed in m/s,
/// q = B^2 S n_c, and kPa:
///   crank         = 1.22e5 D_b/q + 3.03e-4 N D_b^3 L_b n_b/q + 1.35e-10 D_b^2 N^2 n_b/n_c
///   reciprocating = 294 Sp/B + 4.06e4 (1 + 1000/N)/B^2 + 3.03e-4 N D_r^3 L_r n_r/q
///   gas load      = 6.89 (p_i/p_a) (0.088 r_c + 0.182 r_c^(1.33 - 0.0238 Sp))
///   valvetrain    = 4.12 + 244 N n_cb/q + follower n_v/(S n_c)
///                   + C_oh L_v^1.5 N^0.5 n_v/(B S n_c) + C_om (1 + 1000/N) L_v n_v/(S n_c),
///                   follower = C_ff (1 + 1000/N) for flat tappets, C_rf N for rollers
///   auxiliaries   = 6.23 + 5.22e-3 N - 1.79e-7 N^2
/// The scalar of the ratio may be a dual number where the rest is double.
/// Source: SAE 890836 (1989), read second-hand; the valvetrain table from memory.
template <class P, class S>
auto friction_parts_Pa(const FrictionGeometry<P>& g, const std::type_identity_t<P>& speed_rpm,
                       const S& map_over_ambient) {
  using std::pow;
  using std::sqrt;
  using T = std::decay_t<decltype(std::declval<P>() * std::declval<S>())>;
  constexpr double kMillimetre_m = 1e-3;
  constexpr double kKilopascal_Pa = 1e3;

  const P bore_mm = g.bore_m / kMillimetre_m;
  const P stroke_mm = g.stroke_m / kMillimetre_m;
  const P main_mm = g.main_diameter_m / kMillimetre_m;
  const P main_length_mm = g.main_length_m / kMillimetre_m;
  const P rod_mm = g.rod_diameter_m / kMillimetre_m;
  const P rod_length_mm = g.rod_length_m / kMillimetre_m;
  const P lift_mm = g.valve_lift_m / kMillimetre_m;
  const P piston_speed_m_s = 2.0 * g.stroke_m * speed_rpm / 60.0;
  const P swept_mm3 = bore_mm * bore_mm * stroke_mm * g.cylinders;
  const P boundary = 1.0 + 1000.0 / speed_rpm;  // mixed lubrication fades with speed
  const P valves_per_stroke = g.valves / (stroke_mm * g.cylinders);
  const ValvetrainFriction c = valvetrain_friction(g.valvetrain);

  const P crank_kPa =
      1.22e5 * main_mm / swept_mm3 +
      3.03e-4 * speed_rpm * main_mm * main_mm * main_mm * main_length_mm * g.main_bearings /
          swept_mm3 +
      1.35e-10 * main_mm * main_mm * speed_rpm * speed_rpm * g.main_bearings / g.cylinders;
  const P reciprocating_kPa =
      294.0 * piston_speed_m_s / bore_mm + 4.06e4 * boundary / (bore_mm * bore_mm) +
      3.03e-4 * speed_rpm * rod_mm * rod_mm * rod_mm * rod_length_mm * g.rod_bearings / swept_mm3;
  // 6.89 kPa: the paper's correlation was in psi.
  const P gas_load_at_ambient_kPa =
      6.89 * (0.088 * g.compression_ratio +
              0.182 * pow(g.compression_ratio, 1.33 - 0.0238 * piston_speed_m_s));
  const P follower =
      g.tappet == Tappet::flat ? P(c.flat_follower * boundary) : P(c.roller_follower * speed_rpm);
  const P valvetrain_kPa =
      4.12 + 244.0 * speed_rpm * g.cam_bearings / swept_mm3 +
      valves_per_stroke *
          (follower + c.oscillating_hydrodynamic * lift_mm * sqrt(lift_mm * speed_rpm) / bore_mm +
           c.oscillating_mixed * boundary * lift_mm);
  const P auxiliaries_kPa = 6.23 + 5.22e-3 * speed_rpm - 1.79e-7 * speed_rpm * speed_rpm;

  FrictionParts<T> parts;
  parts.crank = T(kKilopascal_Pa * crank_kPa);
  parts.reciprocating = T(kKilopascal_Pa * reciprocating_kPa);
  parts.gas_load = T(kKilopascal_Pa * gas_load_at_ambient_kPa * map_over_ambient);
  parts.valvetrain = T(kKilopascal_Pa * valvetrain_kPa);
  parts.auxiliaries = T(kKilopascal_Pa * auxiliaries_kPa);
  return parts;
}

}  // namespace idlefit
