#pragma once

#include <array>
#include <cstddef>

// Heat capacities from published polynomials: an outside check, no law of ours.

namespace idlefit::reference {

inline constexpr double kUniversalGasConstant_J_molK = 8.314462618;  // CODATA 2018, exact

/// NASA seven-coefficient polynomial: c_p/R = a1 + a2 T + a3 T^2 + a4 T^3 + a5 T^4, one set on
/// either side of 1000 K.
struct NasaPolynomial {
  double molar_mass_kg_mol;
  std::array<double, 5> below_1000K, above_1000K;

  double cp_J_molK(double temperature_K) const {
    const std::array<double, 5>& a = temperature_K < 1000.0 ? below_1000K : above_1000K;
    double sum = 0.0;
    for (std::size_t i = a.size(); i-- > 0;) sum = sum * temperature_K + a[i];
    return kUniversalGasConstant_J_molK * sum;
  }
};

// As published with GRI-Mech 3.0 (file thermo30.dat, entries of the TPIS and L series).
inline constexpr NasaPolynomial kN2{
    28.0134e-3,
    {3.298677, 1.4082404e-3, -3.963222e-6, 5.641515e-9, -2.444854e-12},
    {2.92664, 1.4879768e-3, -5.68476e-7, 1.0097038e-10, -6.753351e-15}};
inline constexpr NasaPolynomial kO2{
    31.9988e-3,
    {3.78245636, -2.99673416e-3, 9.84730201e-6, -9.68129509e-9, 3.24372837e-12},
    {3.28253784, 1.48308754e-3, -7.57966669e-7, 2.09470555e-10, -2.16717794e-14}};
inline constexpr NasaPolynomial kCO2{
    44.0095e-3,
    {2.35677352, 8.98459677e-3, -7.12356269e-6, 2.45919022e-9, -1.43699548e-13},
    {3.85746029, 4.41437026e-3, -2.21481404e-6, 5.23490188e-10, -4.72084164e-14}};
inline constexpr NasaPolynomial kH2O{
    18.01528e-3,
    {4.19864056, -2.0364341e-3, 6.52040211e-6, -5.48797062e-9, 1.77197817e-12},
    {3.03399249, 2.17691804e-3, -1.64072518e-7, -9.7041987e-11, 1.68200992e-14}};

/// Gasoline vapour C8.26 H15.5, 114.8 g/mol, 300 to 1500 K: Heywood (1988) table 4.11 (from
/// memory), c_p = A1 + A2 t + A3 t^2 + A4 t^3 + A5/t^2 cal/(mol K) with t = T/1000 K.
struct GasolineVapour {
  static constexpr double carbon = 8.26, hydrogen = 15.5;
  static constexpr double molar_mass_kg_mol = 114.8e-3;
  static double cp_J_molK(double temperature_K) {
    constexpr double kCalorie_J = 4.184;
    const double t = temperature_K / 1000.0;
    return kCalorie_J * (-24.078 + t * (256.63 + t * (-201.68 + t * 64.750)) + 0.5808 / (t * t));
  }
};

/// A mixture by moles: c_v and gas constant in J/(kg K).
struct MixtureHeat {
  double cv_J_kgK, gas_constant_J_kgK;
};

/// Stoichiometric gasoline charge, the air as O2 + 3.773 N2 (argon counted as nitrogen).
inline MixtureHeat stoichiometric_charge(double temperature_K) {
  constexpr double oxygen = GasolineVapour::carbon + GasolineVapour::hydrogen / 4.0;
  constexpr double nitrogen = 3.773 * oxygen;
  constexpr double moles = 1.0 + oxygen + nitrogen;
  const double mass_kg = GasolineVapour::molar_mass_kg_mol + oxygen * kO2.molar_mass_kg_mol +
                         nitrogen * kN2.molar_mass_kg_mol;
  const double cp = GasolineVapour::cp_J_molK(temperature_K) +
                    oxygen * kO2.cp_J_molK(temperature_K) + nitrogen * kN2.cp_J_molK(temperature_K);
  const double r = moles * kUniversalGasConstant_J_molK;
  return {(cp - r) / mass_kg, r / mass_kg};
}

/// Its products without dissociation: CO2, H2O and N2.
inline MixtureHeat stoichiometric_products(double temperature_K) {
  constexpr double dioxide = GasolineVapour::carbon;
  constexpr double steam = GasolineVapour::hydrogen / 2.0;
  constexpr double nitrogen = 3.773 * (GasolineVapour::carbon + GasolineVapour::hydrogen / 4.0);
  constexpr double moles = dioxide + steam + nitrogen;
  const double mass_kg = dioxide * kCO2.molar_mass_kg_mol + steam * kH2O.molar_mass_kg_mol +
                         nitrogen * kN2.molar_mass_kg_mol;
  const double cp = dioxide * kCO2.cp_J_molK(temperature_K) +
                    steam * kH2O.cp_J_molK(temperature_K) + nitrogen * kN2.cp_J_molK(temperature_K);
  const double r = moles * kUniversalGasConstant_J_molK;
  return {(cp - r) / mass_kg, r / mass_kg};
}

}  // namespace idlefit::reference
