#include "tests/support/fit_sets.h"

#include <cmath>
#include <stdexcept>

#include "model/constants.h"

#include "model/idle.h"
#include "model/knowledge.h"
#include "tests/support/engines.h"

namespace idlefit::test {
namespace {

bool idles(const Engine& engine, const Coefficients<double>& coefficients) {
  return solve_idle(engine, coefficients).status == Status::ok;
}

}  // namespace

Engine draw_v8(Random& random) {
  const double duration_deg = random.uniform(194, 230);
  const double seat_deg = duration_deg + random.uniform(50, 62);
  const double separation_deg = random.uniform(108, 114);
  const double lift_in = random.uniform(0.40, 0.50);
  const double speed_rpm = 620 + 8 * (duration_deg - 194) + random.uniform(0, 100);
  return table_v8(duration_deg, seat_deg, separation_deg, lift_in, speed_rpm,
                  random.uniform(10, 25));
}

FitEngine known_engine(const Engine& engine, std::size_t car) {
  FitEngine known;
  known.engine = engine;
  known.car = car;
  known.input_per_latent.resize(static_cast<Eigen::Index>(kInputCount), 0);
  return known;
}

Coefficients<double> draw_coefficients(Random& random) {
  Coefficients<double> drawn;
  for (std::size_t k = 0; k < kCoefficientCount; ++k) {
    const CoefficientInfo& info = kCoefficientInfo[k];
    double& value = coefficient_ref(drawn, k);
    do {
      value = info.prior_mean + info.prior_sd * random.normal();
    } while (value < info.lower || value > info.upper);
  }
  return drawn;
}

Engine draw_idling_v8(Random& random, const Coefficients<double>& truth, int& redrawn) {
  for (;; ++redrawn) {
    const Engine engine = draw_v8(random);
    if (idles(engine, truth) && idles(engine, {})) return engine;
  }
}

double idle_map_Pa(const Engine& engine, const Coefficients<double>& coefficients) {
  const SolveResult result = solve_idle(engine, coefficients);
  if (result.status != Status::ok) throw std::runtime_error("no idle: " + result.reason);
  return result.point.map_Pa;
}

DrawnSet draw_set(Random& random, const Coefficients<double>& truth, double discrepancy_Pa,
                  double reading_sd_Pa, const std::vector<int>& readings) {
  DrawnSet drawn;
  drawn.truth = truth;
  drawn.discrepancy_Pa = discrepancy_Pa;
  for (std::size_t car = 0; car < readings.size(); ++car) {
    const bool shared = readings[car] > 1;
    Engine engine = draw_idling_v8(random, truth, drawn.redrawn);
    const double of_car_Pa =
        shared ? std::sqrt(kCarShare) * discrepancy_Pa * random.student() : 0.0;
    const double scale_Pa =
        std::hypot(reading_sd_Pa, std::sqrt(shared ? 1.0 - kCarShare : 1.0) * discrepancy_Pa);
    for (int i = 0; i < readings[car]; ++i) {
      if (i > 0) {
        Engine again;
        do {
          again = engine;
          again.inputs.speed_rpm += random.uniform(-50, 100);
          again.inputs.spark_btdc_deg += random.uniform(-4, 4);
        } while (!idles(again, truth) || !idles(again, {}));
        engine = again;
      }
      Point point;
      point.engine = drawn.set.engines.size();
      point.quantity = Quantity::map;
      point.sd = reading_sd_Pa;
      point.value = idle_map_Pa(engine, truth) + of_car_Pa + scale_Pa * random.student();
      drawn.set.engines.push_back(known_engine(engine, car));
      drawn.set.points.push_back(point);
    }
    drawn.set.car_latents.push_back(0);
  }
  return drawn;
}

}  // namespace idlefit::test
