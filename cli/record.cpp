#include "cli/record.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <filesystem>
#include <utility>
#include <vector>

#include "cli/json_number.h"
#include "cli/point_rows.h"
#include "cli/save_file.h"
#include "cli/today.h"
#include "model/knowledge.h"
#include "model/units.h"
#include "profiles/text_file.h"
#include "profiles/visit_file.h"
#include "profiles/walk.h"

namespace idlefit {
namespace {

using Json = nlohmann::ordered_json;

constexpr double kLevel = 0.8;

// --- Adding --------------------------------------------------------------------------------------

// Whether what an item finds wrong moves the manifold reading or the conditions it is compared at.
// A throttle stop, a shared air leak or an idle speed off its target do not: the speed is as read.
bool touches_reading(WalkItem item, const Visit& visit) {
  switch (item) {
    case WalkItem::injectors:
    case WalkItem::exhaust_leaks:
    case WalkItem::coolant:
    case WalkItem::map_sensor:
    case WalkItem::tap:
    case WalkItem::timing_mark:
    case WalkItem::fuel_pressure:
    case WalkItem::fuel_steady:
    case WalkItem::needle:
    case WalkItem::revved_vacuum:
    case WalkItem::snap:
    case WalkItem::correction_fading:
    case WalkItem::cranking:
      return true;
    case WalkItem::base_timing:
    case WalkItem::vacuum_advance:
    case WalkItem::total_timing:
      return !visit.spark.idle_deg;  // else it is compared at the spark that was read
    default:
      return false;
  }
}

std::string why_not_healthy(const Check& c) {
  if (!c.map_Pa) return "it could not be judged: " + c.not_judged;
  if (c.far_out()) return "a reading is far out, and what is off is not known";
  std::vector<std::string> faults;
  for (const Walked& w : c.walk) {
    if (!touches_reading(w.row->item, c.visit)) continue;
    if (w.verdict == WalkVerdict::attend) faults.emplace_back(w.row->name);
    if (w.verdict == WalkVerdict::not_judged)
      faults.push_back(fmt::format("{} (not judged, {})", w.row->name, w.action));
  }
  if (faults.empty()) return {};
  return fmt::format("attend first to what touches the reading: {}", fmt::join(faults, ", "));
}

std::string plain_lines(std::string_view text) {
  std::string out;
  for (const char c : without_byte_order_mark(text)) {
    if (c != '\r') out += c;
  }
  while (!out.empty() && (out.back() == '\n' || out.back() == ' ')) out.pop_back();
  return out + "\n";
}

BookEntry::Expected expected_of(const Estimate& estimate, const ComparedReading& reading,
                                double map_Pa) {
  const Inputs<double>& in = estimate.completion.engine.inputs;
  return {in.speed_rpm, in.barometer_Pa, map_Pa, reading.low, reading.high};
}

// Whether the idle that was read is not the one that the card speaks of, but one in gear or with
// the air conditioning on: what was said of the other is no expectation of it.
bool is_other_idle(const Visit& visit, const EngineCard& card) {
  const auto gear = card.gear.value_or(EngineCard::Gear::neutral);
  const bool conditioning = card.air_conditioning.value_or(false);
  return visit.idle.gear.value_or(gear) != gear ||
         visit.idle.air_conditioning.value_or(conditioning) != conditioning;
}

BookEntry entry_of(const Check& c, const EngineCard& card, std::string_view visit_text,
                   const BaselineSet& baselines, const CoefficientsFile& coefficients,
                   const std::string& coefficients_name) {
  BookEntry e;
  e.date = today();
  e.car = !c.visit.car.empty() ? c.visit.car : !card.name.empty() ? card.name : "unnamed car";
  e.program = std::string("idlefit ") + IDLEFIT_VERSION;
  e.physics = kPhysicsVersion;
  e.coefficients = printable(coefficients_name, 80);
  e.coefficients_sha256 = sha256_of(coefficients.source);
  e.map_Pa = c.map_Pa->measured;
  e.reading_sd_Pa = c.reading_sd_Pa;
  e.by_vacuum = c.by_vacuum;
  e.at_visit = expected_of(c.estimate, *c.map_Pa, c.map_Pa->expected);
  e.engine = write_engine_card(card);
  e.visit = plain_lines(visit_text);
  if (is_other_idle(c.visit, card)) return e;
  const Estimate before = estimate(card, baselines, coefficients.posterior, {});
  if (before.idle.status == Status::ok && before.law && before.law->no_idle() < 1.0) {
    e.before = expected_of(before, compared(e.map_Pa, before.law->as_read(e.reading_sd_Pa)),
                           before.idle.point.map_Pa);
    e.stated_low_Pa = before.interval->ends.low_Pa;
    e.stated_high_Pa = before.interval->ends.high_Pa;
  }
  return e;
}

// --- Showing -------------------------------------------------------------------------------------

// Readings against one of the two expectations.
struct Tally {
  std::size_t inside = 0, of = 0;
  double sum_Pa = 0, sum_squares_Pa2 = 0;  // measured less expected
  double chance = kLevel;                  // of a reading inside, where the intervals are right

  void add(double measured_Pa, const BookEntry::Expected& e, bool is_inside) {
    const double off_Pa = measured_Pa - e.map_Pa;
    inside += is_inside ? 1 : 0;
    ++of;
    sum_Pa += off_Pa;
    sum_squares_Pa2 += off_Pa * off_Pa;
  }
  double mean_Pa() const { return sum_Pa / static_cast<double>(of); }
  double size_Pa() const { return std::sqrt(sum_squares_Pa2 / static_cast<double>(of)); }
  double share() const { return static_cast<double>(inside) / static_cast<double>(of); }
  std::string words() const {
    const CountRange right = right_count(of, chance);
    return fmt::format("{} of {} ({:.0f}%; intervals that are right hold {} to {})", inside, of,
                       100 * share(), right.low, right.high);
  }
};

struct Tallies {
  Tally before, at_visit;
  std::vector<std::size_t> inside_so_far, of_so_far;  // before, one an entry

  explicit Tallies(const Book& book) {
    // Readings far out at the visit are not in the book: the rest fills more of the interval.
    at_visit.chance = kLevel / (1.0 - kFarOut);
    for (const BookEntry& e : book.entries) {
      if (e.before) before.add(e.map_Pa, *e.before, e.inside_before());
      at_visit.add(e.map_Pa, e.at_visit, e.inside_at_visit());
      inside_so_far.push_back(before.inside);
      of_so_far.push_back(before.of);
    }
  }
};

std::string off_words(const Tally& tally) {
  return fmt::format("{:+.1f} kPa on average, {:.1f} kPa either way", to_kPa(tally.mean_Pa()),
                     to_kPa(tally.size_Pa()));
}

std::string shortened(const std::string& text, std::size_t width) {
  if (display_width(text) <= width) return padded(text, width);
  std::string cut;
  std::size_t columns = 0;
  for (std::size_t i = 0; i < text.size() && columns + 3 < width; ++columns) {
    const std::size_t length = utf8_character(text, i).length;
    cut += text.substr(i, length);
    i += length;
  }
  return padded(cut + "...", width);
}

std::string row_text(const BookEntry& e, std::size_t inside, std::size_t of) {
  const std::string before = e.before
                                 ? fmt::format("{:.1f} ({:.1f}–{:.1f})", to_kPa(e.before->map_Pa),
                                               to_kPa(e.before->low_Pa), to_kPa(e.before->high_Pa))
                                 : "-";
  const std::string read =
      fmt::format("{:.1f}{}", to_kPa(e.map_Pa), e.before && !e.inside_before() ? "*" : " ");
  return fmt::format("{}  {}  {} {:>8} {:>7}  {:.1f}{}\n", e.date, shortened(e.car, 20),
                     padded(before, 16), read, fmt::format("{}/{}", inside, of),
                     to_kPa(e.at_visit.map_Pa), e.inside_at_visit() ? "" : "*");
}

Json expected_json(const BookEntry::Expected& e) {
  return {{"rpm", finite(e.speed_rpm)},
          {"barometer_kPa", finite(to_kPa(e.barometer_Pa))},
          {"map_kPa", finite(to_kPa(e.map_Pa))},
          {"interval_as_read_kPa", {finite(to_kPa(e.low_Pa)), finite(to_kPa(e.high_Pa))}}};
}

Json tally_json(const Tally& tally) {
  const CountRange right = right_count(tally.of, tally.chance);
  Json document{{"inside", tally.inside}, {"of", tally.of}, {"share_if_right", tally.chance}};
  document["inside_if_right"] = {right.low, right.high};
  if (tally.of > 0) {
    document["measured_less_expected_mean_kPa"] = finite(to_kPa(tally.mean_Pa()));
    document["measured_less_expected_rms_kPa"] = finite(to_kPa(tally.size_Pa()));
  }
  return document;
}

// --- As points -----------------------------------------------------------------------------------

PointsTable book_table(const Book& book) {
  std::vector<PointRow> rows;
  for (const BookEntry& e : book.entries) {
    const Visit visit = parse_visit(e.visit, e.file);
    rows.push_back({e.car, card_at_visit(parse_engine_card(e.engine, e.file), visit), e.map_Pa,
                    e.reading_sd_Pa, visit.air.flow_kg_s, visit.fuel.flow_kg_s, std::nullopt,
                    "book entry " + e.file});
  }
  return points_table(rows);
}

}  // namespace

Recorded record_visit(const std::string& folder, const Check& c, const EngineCard& card,
                      std::string_view visit_text, const BaselineSet& baselines,
                      const CoefficientsFile& coefficients, const std::string& coefficients_name) {
  const Book book = read_book(folder);
  std::string why_not = why_not_healthy(c);
  if (!why_not.empty()) return {"", std::move(why_not)};
  BookEntry entry = entry_of(c, card, visit_text, baselines, coefficients, coefficients_name);
  for (const BookEntry& known : book.entries) {
    if (known.engine == entry.engine && known.visit == entry.visit)
      return {"", "it is in the book already, as " + known.file};
  }
  // Another program may take a name at any moment; then the next one is tried.
  for (int n = 0;; ++n) {
    entry.file = entry_file_name(entry, n);
    const std::string path = (std::filesystem::path(folder) / entry.file).string();
    if (save_new_file(path, write_entry(entry))) return {path, ""};
  }
}

std::string book_line(const Book& book) {
  if (book.entries.empty()) {
    return book.damaged.empty()
               ? "The book is empty: idlefit check ENGINE VISIT --record FOLDER adds to it"
               : "No entry of the book can be read";
  }
  const Tallies tallies(book);
  if (tallies.before.of == 0) return "Nothing was expected of these idles before the cars came";
  return fmt::format("{} of {} idles were read in the 80% interval stated before ({:.0f}%)",
                     tallies.before.inside, tallies.before.of, 100 * tallies.before.share());
}

std::string book_text(const Book& book, const Style& style) {
  const std::string head = labelled("", 0, book_line(book));
  std::string damaged;
  if (!book.damaged.empty()) {
    damaged = labelled("Left out", 11,
                       fmt::format("{} damaged {}, named above", book.damaged.size(),
                                   book.damaged.size() == 1 ? "entry" : "entries"));
  }
  if (book.entries.empty()) return style.bold(head) + style.warning(damaged);
  const Tallies tallies(book);
  std::string below = "\n";
  if (tallies.before.of > 0) {
    below += labelled("Before", 11,
                      tallies.before.words() + "; read less expected " + off_words(tallies.before));
  }
  below +=
      labelled("At visit", 11,
               tallies.at_visit.words() + "; read less expected " + off_words(tallies.at_visit));
  below += labelled(
      "Read as", 11,
      "before: from the engine file alone (-: it speaks of another idle). Visit: at the speed, "
      "spark and barometer read; far out readings are not in the book. Intervals hold the "
      "reading's error. * outside. So far: in the interval before, of all up to then.");
  const std::string headings =
      fmt::format("{}  {}  {} {:>8} {:>7}  {}\n", padded("Date", 10), padded("Car", 20),
                  padded("Before, kPa", 16), "Read,kPa", "So far", "Visit,kPa");
  const std::size_t fixed =
      line_count(head) + line_count(headings) + line_count(below) + line_count(damaged);
  std::size_t shown = std::min(book.entries.size(), kScreenLines - fixed);
  std::string rows;
  if (shown < book.entries.size()) {
    --shown;
    rows = fmt::format("({} earlier: --json)\n", book.entries.size() - shown);
  }
  for (std::size_t i = book.entries.size() - shown; i < book.entries.size(); ++i)
    rows += row_text(book.entries[i], tallies.inside_so_far[i], tallies.of_so_far[i]);
  return style.bold(head) + headings + rows + below + style.warning(damaged);
}

nlohmann::ordered_json book_json(const Book& book) {
  const Tallies tallies(book);
  Json document{{"schema", "idlefit.record/1"}, {"level", kLevel}};
  document["before"] = tally_json(tallies.before);
  document["at_visit"] = tally_json(tallies.at_visit);
  document["entries"] = Json::array();
  for (std::size_t i = 0; i < book.entries.size(); ++i) {
    const BookEntry& e = book.entries[i];
    Json entry{{"file", e.file}, {"date", e.date}, {"car", e.car}, {"before", nullptr}};
    if (e.before) {
      entry["before"] = expected_json(*e.before);
      entry["before"]["interval_kPa"] = {finite(to_kPa(e.stated_low_Pa)),
                                         finite(to_kPa(e.stated_high_Pa))};
      entry["before"]["inside"] = e.inside_before();
    }
    entry["at_visit"] = expected_json(e.at_visit);
    entry["at_visit"]["inside"] = e.inside_at_visit();
    entry["measured"] = {{"map_kPa", finite(to_kPa(e.map_Pa))},
                         {"sd_kPa", finite(to_kPa(e.reading_sd_Pa))},
                         {"read", e.by_vacuum ? "vacuum" : "map"}};
    entry["so_far"] = {{"inside", tallies.inside_so_far[i]}, {"of", tallies.of_so_far[i]}};
    entry["program"] = e.program;
    entry["physics"] = e.physics;
    entry["coefficients"] = {{"name", e.coefficients}, {"sha256", e.coefficients_sha256}};
    document["entries"].push_back(std::move(entry));
  }
  document["damaged"] = Json::array();
  for (const InputError& problem : book.damaged) document["damaged"].push_back(problem.what());
  return document;
}

std::string book_points_csv(const Book& book) {
  return points_csv(book_table(book),
                    "Healthy idles of the shop's book, one a row, each engine under the conditions "
                    "of its visit.");
}

nlohmann::ordered_json book_points_json(const Book& book) {
  const PointsTable table = book_table(book);
  return {
      {"schema", "idlefit.record-points/1"}, {"headings", table.headings}, {"rows", table.rows}};
}

}  // namespace idlefit
