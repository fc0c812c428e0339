#include <catch2/catch.hpp>
#include <cmath>
#include <string>
#include <vector>

#include "model/idle.h"
#include "tests/support/engines.h"

namespace idlefit::test {
namespace {

struct Outputs {
  double map_Pa, ve_manifold, air_kg_s, fuel_kg_s, residual;
};
Outputs outputs(const OperatingPoint& p) {
  return {p.map_Pa, p.ve_manifold, p.air_kg_s, p.fuel_kg_s, p.residual_fraction};
}

}  // namespace

TEST_CASE("gradients of the solved idle match central differences", "[closed-form]") {
  // Within 1 % of the difference, or of what 1 % of the input (or a tenth of a degree) does at most
  // to the output at all: where an effect is next to nothing its own rounding shows.
  std::vector<Engine> engines{stock_v8(), street_v8()};
  Engine solid = street_v8();
  solid.inputs.intake_lash_m = solid.inputs.exhaust_lash_m = 0.018 * kInch_m;
  solid.inputs.converter_torque_Nm = 20.0;
  solid.build.tappet = Tappet::roller;
  solid.inputs.lambda = 0.93;
  engines.push_back(solid);
  const Coefficients<double> base;
  for (const Engine& e : engines) {
    SolveOptions with;
    with.gradient = true;
    const SolveResult r = solve_idle(e, base, with);
    REQUIRE(r.status == Status::ok);
    REQUIRE(r.gradient);
    for (int i = 0; i < kParameterCount; ++i) {
      const bool is_input = i < static_cast<int>(kInputCount);
      const std::size_t k =
          static_cast<std::size_t>(is_input ? i : i - static_cast<int>(kInputCount));
      const std::string name(is_input ? kInputInfo[k].name : kCoefficientInfo[k].name);
      double step = 0.0;
      const auto at = [&](double steps) {
        Engine moved = e;
        Coefficients<double> c = base;
        double& x = is_input ? input_ref(moved.inputs, k) : coefficient_ref(c, k);
        step = std::max(1e-3 * std::fabs(x), 1e-7);
        x += steps * step;
        const SolveResult s = solve_idle(moved, c);
        REQUIRE(s.balanced);
        return outputs(s.point);
      };
      const Outputs up = at(1), down = at(-1), up2 = at(2), down2 = at(-2);
      const auto check = [&](const char* what, double exact, double Outputs::*of, double scale) {
        // Fourth-order central difference.
        const double difference =
            (8.0 * (up.*of - down.*of) - (up2.*of - down2.*of)) / (12.0 * step);
        INFO("d " << what << " / d " << name);
        CHECK(std::fabs(exact - difference) <= 0.01 * std::fabs(difference) + 2e-6 * scale / step);
      };
      const PointGradient& g = *r.gradient;
      check("map", g.map_Pa[i], &Outputs::map_Pa, r.point.map_Pa);
      check("ve", g.ve_manifold[i], &Outputs::ve_manifold, r.point.ve_manifold);
      check("air", g.air_kg_s[i], &Outputs::air_kg_s, r.point.air_kg_s);
      check("fuel", g.fuel_kg_s[i], &Outputs::fuel_kg_s, r.point.fuel_kg_s);
      check("residual", g.residual_fraction[i], &Outputs::residual, r.point.residual_fraction);
    }
  }
}

TEST_CASE("an estimate depends on nothing but its inputs", "[consistency]") {
  const Coefficients<double> c;
  const double first = solve_idle(mild_v8(), c).point.map_Pa;
  solve_idle(street_v8(), c);
  CHECK(solve_idle(mild_v8(), c).point.map_Pa == first);
}

}  // namespace idlefit::test
