#include "cli/table.h"

#include <fmt/format.h>

#include <cmath>

#include "cli/json_number.h"
#include "cli/ve_table.h"
#include "model/units.h"
#include "profiles/predicted_table.h"
#include "profiles/start_error.h"
#include "profiles/units.h"

namespace idlefit {
namespace {

constexpr std::size_t kLabelWidth = 9;  // that of the speeds below it

std::string name_of(const Estimate& e) { return e.card.name.empty() ? "Engine" : e.card.name; }

bool forced(const EngineCard& card) {
  return card.induction == EngineCard::Induction::boosted || card.nitrous.value_or(false);
}

std::string forced_words(const PredictedTable& p) {
  return fmt::format("The table ends at {:.0f} kPa and is without boost or nitrous.",
                     p.table.map_kPa.back());
}

TableStart start_of(const PredictedTable& p, const BaselineSet& baselines) {
  TableStart start;
  start.idle_sd_Pa = p.estimate.law->sd_Pa();
  start.typical_error = typical_start_error(start.idle_sd_Pa);
  start.baseline = p.estimate.baseline.name;
  for (const BaselineProfile& profile : baselines.profiles) {
    if (profile.name != start.baseline) continue;
    start.baseline_apart = start_apart(p.surface, p.estimate.idle.point, profile);
    if (start.baseline_apart)
      start.baseline_typical_error =
          typical_baseline_error(start.idle_sd_Pa, *start.baseline_apart);
  }
  return start;
}

std::string start_words(const PredictedTable& p) {
  if (!p.start) return "no idle to go by: how far off this table may be cannot be told.";
  const TableStart& start = *p.start;
  const std::string within = fmt::format(
      "two of three such engines are fuelled within {:.0f}% on average (idle known to {:.1f} kPa)",
      100 * start.typical_error, to_kPa(start.idle_sd_Pa));
  const std::string text = "load it as it stands: " + within + "; ";
  if (start.baseline.empty()) return text + "no baseline would do.";
  if (!start.baseline_typical_error)
    return text + "baseline " + start.baseline + " has no table to compare.";
  if (start.idle_sd_Pa > kLittleTold_Pa)
    return "this table or baseline " + start.baseline +
           ", as good where so little is told: " + within + ".";
  return text + fmt::format("on baseline {}, within {:.0f}%.", start.baseline,
                            100 * *start.baseline_typical_error);
}

}  // namespace

PredictedTable predict_table(const EngineCard& card, const BaselineSet& baselines,
                             const CoefficientKnowledge& knowledge, bool start) {
  PredictedTable p{estimate(card, baselines, knowledge, {}), {}, {}, {}};
  p.surface = ve_surface(p.estimate.completion.engine, p.estimate.coefficients, standard_ve_grid());
  p.table = ve_table_of(p.surface, "the cycle of this engine");
  if (start && p.reliable() && p.estimate.law) p.start = start_of(p, baselines);
  return p;
}

std::string table_line(const PredictedTable& p) {
  if (p.surface.solved_share == 0.0)
    return name_of(p.estimate) + ": no speed and pressure found at which it runs";
  const PeakVe peak = peak_ve(p.surface);
  std::string line =
      fmt::format("{}: VE {:.0f}% at most ({:.0f} rpm, {:.0f} kPa)", name_of(p.estimate),
                  100 * peak.ve, peak.speed_rpm, to_kPa(peak.map_Pa));
  const SolveResult& idle = p.estimate.idle;
  line += idle.status == Status::ok
              ? fmt::format(", {:.0f}% at idle ({:.0f} rpm)", 100 * idle.point.ve_manifold,
                            idle.point.speed_rpm)
              : fmt::format("; no idle found at {:.0f} rpm",
                            p.estimate.completion.engine.inputs.speed_rpm);
  return line;
}

std::string table_text(const PredictedTable& p, const Style& style, bool start) {
  std::string text = style.bold(labelled("", 0, table_line(p)));
  if (p.surface.solved_share == 0.0) return text;
  text += ve_table_text(p.table, kLabelWidth);
  if (forced(p.estimate.card)) text += labelled("", 0, forced_words(p));
  if (start) text += labelled("Start", kLabelWidth, start_words(p));
  return text + labelled("", 0,
                         "Predicted, not measured: correct it by a measured mixture before full "
                         "load.");
}

std::string table_csv(const PredictedTable& p) {
  const VeTable& t = p.table;
  std::string text = "speed_rpm";
  for (const double map_kPa : t.map_kPa) text += fmt::format(",ve_at_{}_kPa", number_text(map_kPa));
  text += ",runs_from_kPa\n";
  for (std::size_t i = 0; i < t.speed_rpm.size(); ++i) {
    const auto row = static_cast<Eigen::Index>(i);
    text += number_text(t.speed_rpm[i]);
    for (Eigen::Index j = 0; j < t.ve.cols(); ++j) text += fmt::format(",{:.4f}", t.ve(row, j));
    const auto marked = static_cast<std::size_t>(t.below_no_load.row(row).count());
    text += "," + (marked < t.map_kPa.size() ? number_text(t.map_kPa[marked]) : "") + "\n";
  }
  return text;
}

nlohmann::ordered_json table_json(const PredictedTable& p) {
  const SolveResult& idle = p.estimate.idle;
  const PeakVe peak = peak_ve(p.surface);
  nlohmann::ordered_json json{{"schema", "idlefit.table/1"},
                              {"engine", p.estimate.card.name},
                              {"status", p.reliable() ? "ok" : "not-reliable"},
                              {"barometer_kPa", finite(to_kPa(p.surface.barometer_Pa))},
                              {"peak",
                               {{"ve", finite(peak.ve)},
                                {"speed_rpm", finite(peak.speed_rpm)},
                                {"map_kPa", finite(to_kPa(peak.map_Pa))}}},
                              {"idle", nullptr},
                              {"table", ve_table_json(p.table)},
                              {"no_load_map_kPa", nlohmann::ordered_json::array()},
                              {"solved_share", finite(p.surface.solved_share)},
                              {"warnings", p.estimate.warnings}};
  if (idle.status == Status::ok) {
    json["idle"] = {{"speed_rpm", finite(idle.point.speed_rpm)},
                    {"map_kPa", finite(to_kPa(idle.point.map_Pa))},
                    {"ve", finite(idle.point.ve_manifold)}};
  }
  for (const std::optional<double>& line_Pa : p.surface.no_load_map_Pa) {
    json["no_load_map_kPa"].push_back(line_Pa ? nlohmann::ordered_json(finite(to_kPa(*line_Pa)))
                                              : nlohmann::ordered_json());
  }
  json["start"] = nullptr;
  if (p.start) {
    const TableStart& start = *p.start;
    const auto or_null = [](const std::optional<double>& share) {
      return share ? nlohmann::ordered_json(finite(*share)) : nlohmann::ordered_json();
    };
    json["start"] = {{"idle_map_sd_kPa", finite(to_kPa(start.idle_sd_Pa))},
                     {"typical_error_share", finite(start.typical_error)},
                     {"baseline", text_or_null(start.baseline)},
                     {"baseline_apart_share", or_null(start.baseline_apart)},
                     {"baseline_typical_error_share", or_null(start.baseline_typical_error)}};
  }
  if (forced(p.estimate.card)) json["warnings"].push_back(forced_words(p));
  return json;
}

}  // namespace idlefit
