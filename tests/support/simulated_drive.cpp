#include "tests/support/simulated_drive.h"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <vector>

#include "model/units.h"
#include "profiles/predicted_table.h"
#include "tests/support/random.h"

namespace idlefit::test {
namespace {

constexpr double kStep_s = 0.1, kLag_s = 1.0, kLimit = 0.25;

struct Moment {
  double speed_rpm, map_kPa;
};

// The lowest pressure (kPa) at which the engine turns unloaded at a speed.
double no_load_kPa(const VeSurface& ve, double speed_rpm) {
  std::size_t row = 0;
  while (row + 1 < ve.grid.speed_rpm.size() && ve.grid.speed_rpm[row] < speed_rpm) ++row;
  return to_kPa(ve.no_load_map_Pa[row].value_or(ve.grid.map_Pa[0]));
}

bool slows_the_car(const VeSurface& ve, const Moment& at) {
  return at.map_kPa < no_load_kPa(ve, at.speed_rpm) - 6;
}

// Where the engine runs, every kStep_s.
std::vector<Moment> route(const ShopEngine& engine, Random& random) {
  std::vector<Moment> moments{{engine.idle.speed_rpm, to_kPa(engine.idle.map_Pa)}};
  const auto go = [&](double time_s, Moment to) {
    const Moment from = moments.back();
    const int steps = static_cast<int>(time_s / kStep_s);
    for (int i = 1; i <= steps; ++i) {
      const double share = static_cast<double>(i) / steps;
      moments.push_back({from.speed_rpm + share * (to.speed_rpm - from.speed_rpm),
                         from.map_kPa + share * (to.map_kPa - from.map_kPa)});
    }
  };
  const auto stay = [&](double time_s) {
    const Moment here = moments.back();
    for (double t = 0; t < time_s; t += kStep_s)
      moments.push_back(
          {here.speed_rpm + 15 * random.normal(), here.map_kPa + 0.4 * random.normal()});
    moments.push_back(here);
  };
  const Moment idle = moments.front();
  for (int leg = 0; leg < 6; ++leg) {
    stay(random.uniform(10, 30));
    go(random.uniform(4, 8), {random.uniform(1500, 2000), random.uniform(60, 85)});
    const double cruise_rpm = random.uniform(1500, 2600);
    go(2, {cruise_rpm, std::max(no_load_kPa(engine.ve, cruise_rpm) + 6, random.uniform(38, 60))});
    stay(random.uniform(20, 50));
    go(1, {moments.back().speed_rpm, random.uniform(85, 97)});
    go(random.uniform(4, 7), {random.uniform(3200, 4800), random.uniform(88, 97)});
    go(1, {moments.back().speed_rpm, random.uniform(24, 30)});
    go(random.uniform(3, 6), {1200, 26});
    go(1.5, idle);
  }
  return moments;
}

double read(const VeGrid& grid, const Eigen::ArrayXXd& values, const Moment& at) {
  return interpolate(grid, values, at.speed_rpm, 1e3 * at.map_kPa);
}

}  // namespace

SimulatedDrive simulate_drive(const ShopEngine& engine, const BaselineSet& set,
                              const BaselineProfile& loaded, std::uint32_t seed) {
  Random random(seed);
  const std::vector<Moment> moments = route(engine, random);
  const double factor = std::exp(0.03 * random.normal());
  const double sensor_kPa = 0.5 * random.normal();
  const auto seen = [&](const Moment& at) { return Moment{at.speed_rpm, at.map_kPa + sensor_kPa}; };
  // Fuel goes by the pressure that the sensor shows.
  const auto wanted_on = [&](const BaselineProfile& profile, const Moment& at) {
    return factor * read(engine.ve.grid, engine.ve.ve, at) * at.map_kPa /
               (read(grid_of(*profile.ve), profile.ve->ve, seen(at)) * seen(at).map_kPa) -
           1;
  };

  SimulatedDrive drive;
  drive.columns = parse_log_columns(
      "schema: idlefit.columns/1\n"
      "columns:\n"
      "  time: {heading: Time, unit: s}\n"
      "  speed: {heading: Engine speed, unit: rpm}\n"
      "  map: {heading: MAP, unit: kPa}\n"
      "  correction: {heading: Correction, unit: percent added}\n"
      "  coolant: {heading: Coolant, unit: degC}\n",
      "columns.yaml");
  drive.csv = "Time,Engine speed,MAP,Correction,Coolant\n";
  double correction = 0, time_s = 0;
  for (const Moment& at : moments) {
    if (!slows_the_car(engine.ve, at)) {
      const double wanted = wanted_on(loaded, at);
      // The probe's noise comes out of the loop as 2 %.
      correction += kStep_s / kLag_s * (wanted + 0.09 * random.normal() - correction);
      correction = std::clamp(correction, -kLimit, kLimit);
    }
    char row[120];
    std::snprintf(row, sizeof row, "%.1f,%.0f,%.1f,%.1f,88\n", time_s, at.speed_rpm,
                  seen(at).map_kPa, 100 * correction);
    drive.csv += row;
    time_s += kStep_s;
  }

  double least = 1e9;
  for (const BaselineProfile& profile : set.profiles) {
    double weight = 0, size = 0;
    for (const Moment& at : moments) {
      if (slows_the_car(engine.ve, at)) continue;
      const double w = at.map_kPa * (at.speed_rpm < 1200 ? 0.25 : 1.0);
      weight += w;
      size += w * std::fabs(wanted_on(profile, at));
    }
    double left = size / weight;
    if (std::fabs(wanted_on(profile, moments.front())) > kLimit) left += 1e6;
    if (left < least) {
      least = left;
      drive.right = profile.name;
    }
  }
  return drive;
}

}  // namespace idlefit::test
