#include "model/idle_start.h"

#include <algorithm>
#include <cmath>
#include <cstddef>

namespace idlefit {
namespace {

// Least squares over the idles of the 3,000 wild engines of seed 31415 in tests/support/engines.h,
// all coefficients at their means; printed by `idlefit_tests "[start-table]"`. A row for each
// unknown, in the solver's order and scale, a column for each feature. Left over (rms): 0.06 of
// manifold pressure, bar, and 0.02 to 0.04 of the rest.
constexpr double kTable[SolvedState::RowsAtCompileTime][kStartFeatures] = {
    {0.3586, 0.0759, 0.0005, 0.0019, 0.0484, -0.0235, -0.0125, 0.0262, -0.0090, 0.0023, -0.0002,
     -0.0316, -0.0053, -0.0043},  // rms 0.038
    {0.9354, 0.0644, 0.0324, -0.0048, -0.0149, 0.0165, -0.0117, 0.0104, -0.0028, -0.0004, 0.0082,
     0.0080, 0.0027, -0.0041},  // rms 0.026
    {0.3960, 0.0961, -0.0029, -0.0044, -0.0471, -0.0314, -0.0009, 0.0118, 0.0200, -0.0013, 0.0014,
     -0.0261, -0.0063, -0.0041},  // rms 0.034
    {0.4574, 0.1226, 0.0351, -0.0003, 0.0534, -0.0298, -0.0098, 0.0371, -0.0109, 0.0024, 0.0042,
     -0.0453, -0.0107, -0.0083},  // rms 0.059
    {0.9967, 0.0656, 0.0092, -0.0012, -0.0184, 0.0065, -0.0068, 0.0117, 0.0001, -0.0005, 0.0139,
     -0.0043, -0.0046, -0.0059},  // rms 0.027
    {0.2752, 0.0859, 0.0148, -0.0010, -0.0406, -0.0282, 0.0053, 0.0107, 0.0169, -0.0010, -0.0001,
     -0.0292, -0.0071, -0.0058},  // rms 0.034
    {0.0389, 0.0113, 0.0080, -0.0007, 0.0023, -0.0008, -0.0006, 0.0021, -0.0003, 0.0003, 0.0019,
     -0.0092, -0.0023, -0.0009},  // rms 0.016
    {0.9262, -0.0258, -0.0048, -0.0075, 0.0204, 0.0781, -0.0341, 0.0132, -0.0337, -0.0008, -0.0010,
     0.0387, 0.0031, -0.0040},  // rms 0.032
    {0.9589, -0.0090, -0.0016, -0.0055, 0.0039, 0.0022, -0.0011, -0.0011, 0.0012, -0.0002, 0.0006,
     0.0042, 0.0011, 0.0003},  // rms 0.015
    {0.2038, 0.0787, -0.0013, 0.0002, -0.0381, -0.0204, 0.0050, 0.0103, 0.0149, -0.0009, -0.0009,
     -0.0198, -0.0054, -0.0064},  // rms 0.033
    {0.9657, 0.0710, -0.0065, -0.0002, -0.0271, 0.0042, -0.0058, 0.0121, 0.0024, -0.0008, 0.0211,
     -0.0030, -0.0036, -0.0072},  // rms 0.029
    {0.4592, 0.1228, 0.0355, -0.0003, 0.0537, -0.0292, -0.0098, 0.0372, -0.0110, 0.0024, 0.0042,
     -0.0460, -0.0110, -0.0083},  // rms 0.060
};

}  // namespace

StartFeatures start_features(const Inputs<double>& in, double losses_Pa) {
  const double overlap_deg = 0.5 * (in.intake_duration_seat_deg + in.exhaust_duration_seat_deg) -
                             2.0 * in.lobe_separation_deg;
  const double intake_closing_deg =
      0.5 * in.intake_duration_seat_deg + in.intake_centerline_deg - 180.0;
  const double exhaust_opening_deg = 0.5 * in.exhaust_duration_seat_deg +
                                     2.0 * in.lobe_separation_deg - in.intake_centerline_deg -
                                     180.0;
  StartFeatures f{1.0,
                  (overlap_deg - 60.0) / 30.0,
                  (intake_closing_deg - 70.0) / 20.0,
                  (exhaust_opening_deg - 70.0) / 20.0,
                  (losses_Pa - 1.2e5) / 0.5e5,
                  std::log(in.speed_rpm / 900.0) / 0.3,
                  (in.compression_ratio - 10.0) / 2.0,
                  (in.barometer_Pa - 0.85e5) / 0.1e5,
                  (in.spark_btdc_deg - 20.0) / 9.0,
                  (in.lambda - 0.95) / 0.06,
                  (in.intake_air_K - 298.0) / 14.0,
                  std::log(in.stroke_m / 0.09) / 0.15,
                  (in.intake_duration_seat_deg - in.intake_duration_050_deg - 53.0) / 6.0,
                  (in.exhaust_duration_seat_deg - in.exhaust_duration_050_deg - 53.0) / 6.0};
  for (double& x : f) x = std::clamp(x, -2.5, 2.5);
  return f;
}

SolvedState idle_start(const Inputs<double>& in, double losses_Pa) {
  const StartFeatures f = start_features(in, losses_Pa);
  SolvedState v;
  for (std::size_t i = 0; i < static_cast<std::size_t>(v.size()); ++i) {
    double sum = 0.0;
    for (std::size_t j = 0; j < f.size(); ++j) sum += kTable[i][j] * f[j];
    v[static_cast<Eigen::Index>(i)] = sum;
  }
  return v;
}

}  // namespace idlefit
