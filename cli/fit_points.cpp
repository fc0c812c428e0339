#include "cli/fit_points.h"

#include <fmt/format.h>

#include <map>
#include <memory>
#include <optional>
#include <tuple>
#include <utility>

#include "profiles/engine_file.h"
#include "profiles/input_error.h"

namespace idlefit {
namespace {

std::size_t index_of(const std::string& name, std::vector<std::string>& names,
                     std::map<std::string, std::size_t>& known) {
  const auto [at, added] = known.try_emplace(name, names.size());
  if (added) names.push_back(name);
  return at->second;
}

}  // namespace

FitPoints fit_points(const std::vector<MeasuredRow>& rows) {
  FitPoints points;
  PointSet& set = points.set;
  std::map<std::string, std::size_t> cars, offsets;
  std::map<std::pair<std::size_t, std::string>, std::size_t> latents;
  std::map<const EngineCard*, Completion> completions;
  using Condition = std::tuple<const EngineCard*, std::size_t, std::optional<double>, double>;
  std::map<Condition, std::size_t> engines;
  for (std::size_t r = 0; r < rows.size(); ++r) {
    const MeasuredRow& row = rows[r];
    const std::size_t car = index_of(row.car, points.car_names, cars);
    if (car == set.car_latents.size()) set.car_latents.push_back(0);
    const auto [engine, added] = engines.try_emplace(
        Condition{row.card.get(), car, row.at_map_Pa, row.friction_factor}, set.engines.size());
    if (added) {
      auto known = completions.find(row.card.get());
      if (known == completions.end()) {
        try {
          known = completions.emplace(row.card.get(), complete(*row.card)).first;
        } catch (const InputError& error) {
          throw InputError({row.file, row.line, 0}, error.field(), error.value(), error.expected(),
                           error.next_step());
        }
      }
      const Completion& completion = known->second;
      FitEngine fit_engine;
      fit_engine.engine = completion.engine;
      fit_engine.map_Pa = row.at_map_Pa;
      fit_engine.car = car;
      fit_engine.input_per_latent = completion.input_per_latent;
      fit_engine.friction_factor = row.friction_factor;
      for (const std::string& key : completion.latent_keys) {
        const std::string name =
            key.starts_with("idle.") ? fmt::format("{} {}", key, set.engines.size()) : key;
        const auto [latent, fresh] = latents.try_emplace({car, name}, set.car_latents[car]);
        if (fresh) ++set.car_latents[car];
        fit_engine.latents.push_back(latent->second);
      }
      set.engines.push_back(std::move(fit_engine));
    }
    for (std::size_t i = 0; i < row.readings.size(); ++i) {
      const MeasuredRow::Reading& reading = row.readings[i];
      Point point;
      point.engine = engine->second;
      point.quantity = reading.quantity;
      point.value = reading.value;
      point.sd = reading.sd;
      point.counts_as = row.counts_as;
      if (!row.offset.empty()) {
        point.offset = index_of(row.offset, points.offset_names, offsets);
        if (*point.offset == set.offsets.size()) set.offsets.push_back({row.offset_sd});
      }
      set.points.push_back(point);
      points.origins.push_back({r, i});
    }
  }
  return points;
}

}  // namespace idlefit
