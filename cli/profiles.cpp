#include "cli/profiles.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <stdexcept>

#include "cli/json_number.h"
#include "cli/ve_table.h"
#include "profiles/units.h"

namespace idlefit {
namespace {

constexpr std::size_t kLabelWidth = 19;

std::string set_name(const BaselineSet& set) {
  std::string name = set.name.empty() ? "Unnamed set" : set.name;
  if (!set.edition.empty()) name += ", edition " + set.edition;
  return name;
}

std::string plural(std::size_t count, std::string_view what) {
  return fmt::format("{} {}{}", count, what, count == 1 ? "" : "s");
}

std::string range_words(const BaselineProfile& p) {
  return fmt::format("{} to {} kPa", number_text(p.map_from_kPa, 4), number_text(p.map_to_kPa, 4));
}

std::string with_unit(double value, std::string_view unit) {
  return number_text(value, 4) + (unit.empty() ? "" : " " + std::string(unit));
}

std::string engine_words(const RepresentativeEngine& e) {
  std::string text = e.description + ".";
  const auto add = [&text](const std::string& part) { text += " " + part + "."; };
  if (e.displacement_m3) {
    add(number_text(from_program_unit(*e.displacement_m3, "L", Dimension::volume), 3) + " L");
  }
  if (e.cylinders) add(std::to_string(*e.cylinders) + " cylinders");
  if (e.compression_ratio) add("Compression " + number_text(*e.compression_ratio, 3));
  const auto durations = [&](std::string_view what, const std::optional<double>& intake,
                             const std::optional<double>& exhaust) {
    if (!intake && !exhaust) return;
    const auto one = [](const std::optional<double>& deg) {
      return deg ? number_text(*deg, 4) : std::string("?");
    };
    add(fmt::format("{} {}/{} deg", what, one(intake), one(exhaust)));
  };
  durations("At 0.050 in", e.intake_duration_050_deg, e.exhaust_duration_050_deg);
  durations("At the seat", e.intake_duration_seat_deg, e.exhaust_duration_seat_deg);
  if (e.lobe_separation_deg) add("Lobe separation " + number_text(*e.lobe_separation_deg, 4));
  return text + " " + origin_words(e.basis, e.source);
}

std::string missing_words(const std::vector<std::string>& missing) {
  return fmt::format("{}", fmt::join(missing, ", "));
}

nlohmann::ordered_json range_json(const BaselineProfile& p) {
  return {finite(p.map_from_kPa), finite(p.map_to_kPa)};
}

nlohmann::ordered_json engine_json(const RepresentativeEngine& e) {
  nlohmann::ordered_json json{{"description", e.description}};
  const auto put = [&json](const char* key, const std::optional<double>& value) {
    json[key] = value ? nlohmann::ordered_json(finite(*value)) : nlohmann::ordered_json();
  };
  json["cylinders"] = e.cylinders ? nlohmann::ordered_json(*e.cylinders) : nlohmann::ordered_json();
  std::optional<double> litres;
  if (e.displacement_m3) litres = from_program_unit(*e.displacement_m3, "L", Dimension::volume);
  put("displacement_L", litres);
  put("compression_ratio", e.compression_ratio);
  put("intake_duration_050_deg", e.intake_duration_050_deg);
  put("exhaust_duration_050_deg", e.exhaust_duration_050_deg);
  put("intake_duration_seat_deg", e.intake_duration_seat_deg);
  put("exhaust_duration_seat_deg", e.exhaust_duration_seat_deg);
  put("lobe_separation_deg", e.lobe_separation_deg);
  put_origin(json, e.basis, e.source);
  return json;
}

nlohmann::ordered_json set_json(const char* schema, const BaselineSet& set) {
  return {{"schema", schema},
          {"name", text_or_null(set.name)},
          {"edition", text_or_null(set.edition)},
          {"provisional", set.provisional},
          {"basis", text_or_null(set.basis)}};
}

// The unit of a value as part of a key of JSON.
std::string json_unit(const StartKey& key) {
  return key.unit == "g/s" ? "g_per_s" : std::string(key.unit);
}

}  // namespace

const BaselineProfile* find_profile(const BaselineSet& set, const std::string& name) {
  const auto at = std::find_if(set.profiles.begin(), set.profiles.end(),
                               [&](const BaselineProfile& p) { return p.name == name; });
  return at == set.profiles.end() ? nullptr : &*at;
}

std::vector<ProfileGaps> gaps_of(const BaselineSet& set) {
  std::vector<ProfileGaps> gaps;
  for (const BaselineProfile& p : set.profiles) gaps.push_back({p.name, missing_of(p)});
  return gaps;
}

bool is_whole(const BaselineSet& set) {
  return std::all_of(set.profiles.begin(), set.profiles.end(),
                     [](const BaselineProfile& p) { return missing_of(p).empty(); });
}

std::string profile_list_line(const BaselineSet& set) {
  return fmt::format(
      "{}: {}, {} to {} kPa of idle manifold pressure at sea level{}", set_name(set),
      plural(set.profiles.size(), "profile"), number_text(set.profiles.front().map_from_kPa, 4),
      number_text(set.profiles.back().map_to_kPa, 4), set.provisional ? " (provisional)" : "");
}

std::string profile_list_text(const BaselineSet& set, const Style& style) {
  std::string text = style.bold(labelled("", 0, profile_list_line(set)));
  std::size_t width = 0;
  for (const BaselineProfile& p : set.profiles) width = std::max(width, display_width(p.name));
  for (const BaselineProfile& p : set.profiles) {
    std::string words = range_words(p);
    if (!p.meaning.empty()) words += ": " + p.meaning;
    text += labelled(padded(p.name, width + 2), width + 2, words);
  }
  return text + labelled("", 0, "Above the last: a custom calibration.");
}

nlohmann::ordered_json profile_list_json(const BaselineSet& set) {
  nlohmann::ordered_json json = set_json("idlefit.profile-list/1", set);
  json["profiles"] = nlohmann::ordered_json::array();
  for (const BaselineProfile& p : set.profiles) {
    json["profiles"].push_back({{"name", p.name},
                                {"map_sea_level_kPa", range_json(p)},
                                {"meaning", text_or_null(p.meaning)},
                                {"basis", text_or_null(p.basis)},
                                {"missing", missing_of(p)}});
  }
  return json;
}

std::string profile_line(const BaselineProfile& p) {
  return fmt::format("{}: {} of idle manifold pressure at sea level", p.name, range_words(p));
}

std::string profile_text(const BaselineProfile& p, const Style& style) {
  std::string text = style.bold(labelled("", 0, profile_line(p)));
  const auto line = [&text](std::string_view label, const std::string& words) {
    text += labelled(label, kLabelWidth, words);
  };
  if (!p.meaning.empty()) line("For", p.meaning);
  if (!p.basis.empty()) line("Range", p.basis);
  if (p.engine) line("Engine", engine_words(*p.engine));
  std::string_view open;
  for (const StartKey& key : start_keys()) {
    const BaselineProfile::Maybe& start = key.in(p);
    if (!start) continue;
    std::string label(key.section.empty() || key.section != open
                          ? (key.section.empty() ? key.key : key.section)
                          : "");
    std::replace(label.begin(), label.end(), '_', ' ');
    if (!label.empty()) label[0] = static_cast<char>(std::toupper(label[0]));
    std::string word = key.section.empty() ? "" : std::string(key.key) + " ";
    std::replace(word.begin(), word.end(), '_', ' ');
    line(label.size() < kLabelWidth ? label : label.substr(0, kLabelWidth - 1),
         word + with_unit(key.in_unit(start->value), key.unit) + " " +
             origin_words(start->basis, start->source));
    open = key.section;
  }
  for (const WarmUpStep& step : p.warm_up) {
    std::string words = fmt::format(
        "{:.0f} degC:", from_program_unit(step.coolant_K, "degC", Dimension::temperature));
    if (step.fuel_factor) words += " fuel times " + number_text(*step.fuel_factor, 3) + ",";
    if (step.added_speed_rpm) words += fmt::format(" {:.0f} rpm more,", *step.added_speed_rpm);
    words.back() = ' ';
    line(&step == &p.warm_up.front() ? "Warm-up" : "",
         words + origin_words(step.basis, step.source));
  }
  if (p.ve) text += ve_table_text(*p.ve, kLabelWidth);
  const std::vector<std::string> missing = missing_of(p);
  if (!missing.empty()) line("Not given", missing_words(missing) + ".");
  return text;
}

nlohmann::ordered_json profile_json(const BaselineProfile& p) {
  nlohmann::ordered_json json{{"schema", "idlefit.profile/1"},
                              {"name", p.name},
                              {"map_sea_level_kPa", range_json(p)},
                              {"meaning", text_or_null(p.meaning)},
                              {"basis", text_or_null(p.basis)}};
  json["engine"] = p.engine ? engine_json(*p.engine) : nlohmann::ordered_json();
  for (const StartKey& key : start_keys()) {
    const BaselineProfile::Maybe& start = key.in(p);
    const std::string unit = json_unit(key);
    nlohmann::ordered_json value;
    if (start) {
      value["value"] = finite(key.in_unit(start->value));
      put_origin(value, start->basis, start->source);
    }
    nlohmann::ordered_json& holder = key.section.empty() ? json : json[std::string(key.section)];
    holder[std::string(key.key) + (unit.empty() ? "" : "_" + unit)] = std::move(value);
  }
  json["warm_up"] = nlohmann::ordered_json::array();
  for (const WarmUpStep& step : p.warm_up) {
    nlohmann::ordered_json item{
        {"coolant_degC", finite(from_program_unit(step.coolant_K, "degC", Dimension::temperature))},
        {"fuel_factor", nullptr},
        {"added_speed_rpm", nullptr}};
    if (step.fuel_factor) item["fuel_factor"] = finite(*step.fuel_factor);
    if (step.added_speed_rpm) item["added_speed_rpm"] = finite(*step.added_speed_rpm);
    put_origin(item, step.basis, step.source);
    json["warm_up"].push_back(std::move(item));
  }
  json["ve"] = p.ve ? ve_table_json(*p.ve) : nlohmann::ordered_json();
  json["missing"] = missing_of(p);
  return json;
}

std::string profile_check_line(const BaselineSet& set) {
  std::size_t short_of = 0;
  for (const ProfileGaps& gaps : gaps_of(set)) short_of += gaps.missing.empty() ? 0 : 1;
  if (short_of == 0) {
    return fmt::format("Whole: {}, {}", set_name(set), plural(set.profiles.size(), "profile"));
  }
  return fmt::format("Not whole: {}, {} of {} {} values", set_name(set), short_of,
                     plural(set.profiles.size(), "profile"), short_of == 1 ? "lacks" : "lack");
}

std::string profile_check_text(const BaselineSet& set, const Style& style) {
  std::string text = style.bold(labelled("", 0, profile_check_line(set)));
  const std::vector<ProfileGaps> all = gaps_of(set);
  std::size_t width = 0;
  for (const ProfileGaps& gaps : all) width = std::max(width, display_width(gaps.name));
  // A long list once: the profiles of a set are mostly filled in alike.
  const auto as_first = [&](const ProfileGaps& gaps) { return gaps.missing == all[0].missing; };
  const bool all_alike = all.size() > 1 && std::all_of(all.begin(), all.end(), as_first);
  if (all_alike && !is_whole(set)) {
    text += labelled("", 0, "Each lacks " + missing_words(all[0].missing) + ".");
  } else {
    for (const ProfileGaps& gaps : all) {
      const auto first = std::find_if(all.begin(), all.end(), [&](const ProfileGaps& other) {
        return other.missing == gaps.missing;
      });
      const bool told = gaps.missing.size() > 1 && first->name != gaps.name;
      text += labelled(padded(gaps.name, width + 2), width + 2,
                       gaps.missing.empty() ? "whole"
                       : told               ? "lacks the same as " + first->name
                                            : "lacks " + missing_words(gaps.missing));
    }
  }
  text += labelled("", 0,
                   "Ranges follow one another without gap or overlap; tables fit their axes; every "
                   "value given has its basis.");
  if (!is_whole(set)) {
    text += labelled("", 0, "The set chooses a baseline all the same: name and range are enough.");
  }
  return text;
}

nlohmann::ordered_json profile_check_json(const BaselineSet& set) {
  nlohmann::ordered_json json = set_json("idlefit.profile-check/1", set);
  json["whole"] = is_whole(set);
  json["profiles"] = nlohmann::ordered_json::array();
  for (const ProfileGaps& gaps : gaps_of(set)) {
    json["profiles"].push_back({{"name", gaps.name}, {"missing", gaps.missing}});
  }
  return json;
}

}  // namespace idlefit
