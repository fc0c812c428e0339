#include "profiles/baseline_build.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <span>
#include <stdexcept>
#include <string>

#include "model/starting.h"
#include "profiles/banding.h"
#include "profiles/practice.h"
#include "profiles/predicted_table.h"
#include "profiles/shop_population.h"
#include "profiles/units.h"

namespace idlefit {
namespace {

constexpr std::array kNames{"deep", "firm", "soft", "thin"};
constexpr double kSetFrom_kPa = 25.0, kSetTo_kPa = kCustomAbove_Pa / 1000.0;
constexpr std::size_t kFewestInBand = 8;

double in_kPa(double pressure_Pa) {
  return from_program_unit(pressure_Pa, "kPa", Dimension::pressure);
}

// To a multiple of a step that is one over a whole number, or whole itself; as a person writes it.
double rounded(double value, double step) {
  return step < 1.0 ? std::round(value / step) / std::round(1.0 / step)
                    : std::round(value / step) * step;
}

double rounded_in(std::string_view unit, Dimension dimension, double value, double step) {
  return to_program_unit(rounded(from_program_unit(value, unit, dimension), step), unit, dimension);
}

// By rising idle MAP.
std::vector<ShopEngine> draw_sorted(std::size_t count, unsigned draw,
                                    const CoefficientKnowledge& knowledge, CoefficientsOf of,
                                    unsigned threads) {
  std::vector<ShopEngine> engines = shop_population(count, draw, knowledge, of, threads);
  std::sort(engines.begin(), engines.end(),
            [](const ShopEngine& a, const ShopEngine& b) { return a.idle.map_Pa < b.idle.map_Pa; });
  return engines;
}

std::vector<BandEngine> banded(const std::vector<ShopEngine>& engines) {
  std::vector<BandEngine> all;
  for (const ShopEngine& e : engines) all.push_back(band_engine(e.ve, e.idle));
  return all;
}

// The first engine at or above a pressure.
std::size_t first_at(const std::vector<BandEngine>& sorted, double map_Pa) {
  return static_cast<std::size_t>(
      std::partition_point(sorted.begin(), sorted.end(),
                           [&](const BandEngine& e) { return e.idle_map_Pa < map_Pa; }) -
      sorted.begin());
}

FuellingFigures figures(const std::vector<BandEngine>& engines,
                        const std::vector<double>& edges_kPa,
                        const std::vector<BandTable>& tables) {
  std::vector<FuellingError> errors;
  for (const BandEngine& e : engines) {
    const auto band = static_cast<std::size_t>(
        std::upper_bound(edges_kPa.begin(), edges_kPa.end(), in_kPa(e.idle_map_Pa)) -
        edges_kPa.begin());
    errors.push_back(fuelling_error(e, tables[band].log_ve));
  }
  return fuelling_figures(errors);
}

// --- What a profile holds ------------------------------------------------------------------------

template <class Of>
double median(const std::vector<ShopEngine>& engines, const Of& of) {
  std::vector<double> values;
  for (const ShopEngine& e : engines) values.push_back(of(e));
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

const char* word_of(EngineCard::Words word) {
  constexpr std::array kWords{"stock", "towing", "mild", "street", "lopey", "race"};
  return kWords[static_cast<std::size_t>(word)];
}

VeTable table_of(const std::vector<ShopEngine>& band, const BandTable& fit) {
  VeTable table = ve_table_of(band.front().ve, "least fuelling error of the band's engines");
  table.temperature_K = rounded(median(band, [](const ShopEngine& e) { return e.ve.charge_K; }), 1);
  const Eigen::Index columns = table.ve.cols();
  for (Eigen::Index i = 0; i < table.ve.rows(); ++i) {
    bool below = true;  // where fewer than half of them run
    for (Eigen::Index j = 0; j < columns; ++j) {
      table.ve(i, j) = rounded(std::exp(fit.log_ve[i * columns + j]), 0.001);
      const auto stopped = std::count_if(
          band.begin(), band.end(), [&](const ShopEngine& e) { return e.ve.below_no_load(i, j); });
      below = below && 2 * static_cast<std::size_t>(stopped) > band.size();
      table.below_no_load(i, j) = below;
    }
  }
  return table;
}

RepresentativeEngine representative(const std::vector<ShopEngine>& band,
                                    std::span<const BandEngine> as_banded, const BandTable& fit) {
  std::size_t nearest = 0;
  for (std::size_t k = 1; k < band.size(); ++k) {
    if (fuelling_error(as_banded[k], fit.log_ve).rms <
        fuelling_error(as_banded[nearest], fit.log_ve).rms)
      nearest = k;
  }
  const ShopEngine& e = band[nearest];
  const Inputs<double>& in = e.engine.inputs;
  RepresentativeEngine r;
  r.description = std::string("the engine of the band that its table fits best, with a ") +
                  word_of(*e.card.described_as) + " cam";
  r.cylinders = e.engine.build.cylinders;
  r.displacement_m3 = rounded_in("L", Dimension::volume, displacement_m3(e.engine), 0.01);
  r.compression_ratio = rounded(in.compression_ratio, 0.1);
  r.intake_duration_050_deg = rounded(in.intake_duration_050_deg, 1);
  r.exhaust_duration_050_deg = rounded(in.exhaust_duration_050_deg, 1);
  r.intake_duration_seat_deg = rounded(in.intake_duration_seat_deg, 1);
  r.exhaust_duration_seat_deg = rounded(in.exhaust_duration_seat_deg, 1);
  r.lobe_separation_deg = rounded(in.lobe_separation_deg, 1);
  r.basis = Basis::computed;
  return r;
}

// The fuel that a manifold takes to fill from idle to full load, and the more where the charge is
// diluted; in any unit.
double acceleration_fuel(const std::vector<ShopEngine>& band) {
  const double map_Pa = median(band, [](const ShopEngine& e) { return e.idle.map_Pa; });
  const double residual =
      median(band, [](const ShopEngine& e) { return e.idle.residual_fraction; });
  return (kStandardAtmosphere_Pa - map_Pa) / (1.0 - residual);
}

// From memory, the same for every band: how much more fuel and speed a cold engine wants.
std::vector<WarmUpStep> warm_up() {
  struct Step {
    double degC, fuel, rpm;
  };
  std::vector<WarmUpStep> steps;
  for (const Step& s : {Step{-20, 1.6, 400}, Step{0, 1.4, 300}, Step{20, 1.25, 200},
                        Step{40, 1.12, 100}, Step{60, 1.04, 50}, Step{80, 1.0, 0}})
    steps.push_back(
        {to_program_unit(s.degC, "degC", Dimension::temperature), s.fuel, s.rpm, Basis::memory});
  return steps;
}

// The cams that make up a fifth of a band or more.
std::string meaning_of(const std::vector<ShopEngine>& band, double from_kPa, double to_kPa) {
  std::map<EngineCard::Words, std::size_t> count;
  for (const ShopEngine& e : band) ++count[*e.card.described_as];
  std::vector<std::string_view> words;
  for (const auto& [word, n] : count)
    if (5 * n >= band.size()) words.push_back(word_of(word));
  const auto vacuum = [](double map_kPa) {
    const double vacuum_Pa =
        kStandardAtmosphere_Pa - to_program_unit(map_kPa, "kPa", Dimension::pressure);
    return number_text(rounded(vacuum_Pa / kInchMercury_Pa, 0.5), 3);
  };
  std::string text;
  for (std::size_t i = 0; i < words.size(); ++i)
    text += std::string(i == 0                  ? ""
                        : i + 1 == words.size() ? " and "
                                                : ", ") +
            std::string(words[i]);
  return text + " cams, about " + vacuum(to_kPa) +
         (from_kPa == kSetFrom_kPa ? " inHg of vacuum or more"
                                   : " to " + vacuum(from_kPa) + " inHg of vacuum");
}

// Its acceleration fuel is not yet a ratio.
BaselineProfile profile_of(const char* name, double from_kPa, double to_kPa,
                           const std::vector<ShopEngine>& band,
                           std::span<const BandEngine> as_banded, const BandTable& fit) {
  BaselineProfile p{.name = name, .map_from_kPa = from_kPa, .map_to_kPa = to_kPa};
  p.meaning = meaning_of(band, from_kPa, to_kPa);
  p.basis = "computed";
  p.acceleration_fuel =
      StartValue{acceleration_fuel(band), Basis::computed, "filling of the manifold over dilution"};
  p.engine = representative(band, as_banded, fit);
  p.ve = table_of(band, fit);
  const auto of_band = [&](Input input, double step) {
    return rounded(median(band,
                          [input](const ShopEngine& e) {
                            return input_value(e.engine.inputs, static_cast<std::size_t>(input));
                          }),
                   step);
  };
  const auto usual = [](double value, std::string source = "no source") {
    return StartValue{value, Basis::common_practice, std::move(source)};
  };
  const std::string middle = "usual for the cams of the band, no source";
  const double idle_rpm = of_band(Input::speed_rpm, 25);
  p.idle_speed_rpm = usual(idle_rpm, middle);
  p.mixture.idle_lambda = usual(of_band(Input::lambda, 0.01), middle);
  p.mixture.cruise_lambda = usual(kCruiseLambda);
  p.mixture.load_lambda = usual(kFullLoadLambda);
  p.spark.idle_deg = usual(of_band(Input::spark_btdc_deg, 1), middle);
  p.spark.cruise_deg = usual(kFullLoadSpark_deg + kVacuumAdvance_deg);
  p.spark.load_deg = usual(kFullLoadSpark_deg);
  p.idle_air.flow_kg_s =
      StartValue{rounded_in("g/s", Dimension::mass_flow,
                            median(band, [](const ShopEngine& e) { return e.idle.air_kg_s; }), 0.1),
                 Basis::computed, "median of the band's engines"};
  p.warm_up = warm_up();
  p.limits.speed_max_rpm =
      usual(rounded(5000 + 30 * (of_band(Input::intake_duration_050_deg, 1) - 200), 100), middle);
  p.limits.idle_speed_min_rpm = usual(idle_rpm - 100);
  p.limits.idle_speed_max_rpm = usual(idle_rpm + 300);
  const SparkReach reach = idle_spark_reach(EngineCard::Ignition::controlled);
  p.limits.idle_spark_min_deg = usual(reach.low_deg);
  p.limits.idle_spark_max_deg = usual(reach.high_deg);
  p.limits.fuel_correction_max = StartValue{kAuthority, Basis::memory};
  return p;
}

}  // namespace

BaselineBuild build_baselines(const CoefficientKnowledge& knowledge, std::size_t engines,
                              unsigned threads) {
  if (engines < 5 * kFewestInBand) throw std::invalid_argument("too few engines to make bands of");
  BaselineBuild build;
  build.engines = engines;
  const std::vector<ShopEngine> own =
      draw_sorted(engines, 1, knowledge, CoefficientsOf::mean, threads);
  const std::vector<BandEngine> own_banded = banded(own);
  const std::vector<BandEngine> second =
      banded(draw_sorted(engines, 2, knowledge, CoefficientsOf::mean, threads));
  const std::vector<BandEngine> drawn =
      banded(draw_sorted(engines, 3, knowledge, CoefficientsOf::draws, threads));

  // Edges on whole kPa, each with engines on both sides.
  std::vector<std::size_t> places;
  std::vector<double> place_kPa;
  for (double map_kPa = kSetFrom_kPa + 1; map_kPa < kSetTo_kPa; map_kPa += 1) {
    const std::size_t first =
        first_at(own_banded, to_program_unit(map_kPa, "kPa", Dimension::pressure));
    const std::size_t before = places.empty() ? 0 : places.back();
    if (first < kFewestInBand || first + kFewestInBand > engines || first == before) continue;
    places.push_back(first);
    place_kPa.push_back(map_kPa);
  }
  const Banding banding(own_banded, places, kFewestInBand, threads);
  for (std::size_t bands = 1; bands <= kMostBands; ++bands) {
    const std::vector<std::size_t> edges = banding.edges(bands);
    BandChoice choice;
    std::vector<BandTable> tables;
    std::size_t first = 0;
    for (std::size_t b = 0; b < bands; ++b) {
      const std::size_t end = b + 1 < bands ? edges[b] : engines;
      const auto members = std::span(own_banded).subspan(first, end - first);
      constexpr int kRounds = 100;  // to the fourth digit
      tables.push_back(fit_band(members, kRounds));
      if (b + 1 < bands) {
        const auto at = std::find(places.begin(), places.end(), end) - places.begin();
        choice.edges_kPa.push_back(place_kPa[static_cast<std::size_t>(at)]);
      }
      if (bands == kNames.size()) {
        const double from_kPa = b == 0 ? kSetFrom_kPa : choice.edges_kPa[b - 1];
        const double to_kPa = b + 1 < bands ? choice.edges_kPa[b] : kSetTo_kPa;
        build.set.profiles.push_back(profile_of(kNames[b], from_kPa, to_kPa,
                                                {own.begin() + static_cast<std::ptrdiff_t>(first),
                                                 own.begin() + static_cast<std::ptrdiff_t>(end)},
                                                members, tables.back()));
      }
      first = end;
    }
    choice.own = figures(own_banded, choice.edges_kPa, tables);
    choice.second = figures(second, choice.edges_kPa, tables);
    choice.drawn = figures(drawn, choice.edges_kPa, tables);
    build.by_bands.push_back(std::move(choice));
  }
  // Times that of the first.
  const double of_first = build.set.profiles.front().acceleration_fuel->value;
  for (BaselineProfile& p : build.set.profiles)
    p.acceleration_fuel->value = rounded(p.acceleration_fuel->value / of_first, 0.01);
  build.set.name = "computed set";
  build.set.provisional = true;
  build.set.basis =
      "Computed by idlefit profiles build from " + std::to_string(engines) +
      " engines that shops see, invented: edges and tables with the least fuelling error. "
      "Provisional until measured engines say better. Above 80 kPa an engine wants a custom "
      "calibration: common practice, no source.";
  return build;
}

}  // namespace idlefit
