#include "cli/profiles_build.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "cli/json_number.h"
#include "profiles/banding.h"
#include "profiles/units.h"

namespace idlefit {
namespace {

std::string edges_words(const BandChoice& choice) {
  std::string text;
  for (const double edge_kPa : choice.edges_kPa)
    text += (text.empty() ? "" : ", ") + number_text(edge_kPa, 3);
  return text;
}

const BandChoice& chosen(const BaselineBuild& build) {
  return build.by_bands[build.set.profiles.size() - 1];
}

std::string percents(const FuellingFigures& f) {
  return fmt::format("{:>7.1f}{:>6.1f}{:>6.1f}{:>6.1f}", 100 * f.p95, 100 * f.rms, 100 * f.worst,
                     100 * f.beyond);
}

nlohmann::ordered_json figures_json(const FuellingFigures& f) {
  return {{"p95_share", finite(f.p95)},
          {"rms_share", finite(f.rms)},
          {"worst_share", finite(f.worst)},
          {"beyond_authority_share", finite(f.beyond)}};
}

struct Series {
  const char* name;
  FuellingFigures BandChoice::*of;
  double FuellingFigures::*figure;
  const char* colour;
  const char* dash;
};
constexpr std::array kSeries{Series{"95th percentile, its own engines", &BandChoice::own,
                                    &FuellingFigures::p95, "#1b4f72", ""},
                             Series{"95th percentile, another draw", &BandChoice::second,
                                    &FuellingFigures::p95, "#1b4f72", "6 4"},
                             Series{"95th percentile, coefficients drawn too", &BandChoice::drawn,
                                    &FuellingFigures::p95, "#1b4f72", "2 3"},
                             Series{"root mean square, its own engines", &BandChoice::own,
                                    &FuellingFigures::rms, "#a04000", ""},
                             Series{"root mean square, another draw", &BandChoice::second,
                                    &FuellingFigures::rms, "#a04000", "6 4"}};

}  // namespace

std::string build_line(const BaselineBuild& build) {
  const BandChoice& c = chosen(build);
  return fmt::format("Edges at {} kPa: 95 of 100 engines within {:.1f}%, of another draw {:.1f}%",
                     edges_words(c), 100 * c.own.p95, 100 * c.second.p95);
}

std::string build_text(const BaselineBuild& build, const Style& style) {
  std::string text = style.bold(labelled("", 0, build_line(build)));
  text += fmt::format(
      "Fuelling error in percent of {} engines each, started on their band's table:\n"
      "bands     p95   rms worst beyond ±{:.0f}%   edges, kPa\n",
      build.engines, 100 * kAuthority);
  for (std::size_t b = 0; b < build.by_bands.size(); ++b) {
    const BandChoice& c = build.by_bands[b];
    text += fmt::format("{:>5}{}        {}\n", b + 1, percents(c.own),
                        c.edges_kPa.empty() ? "-" : edges_words(c));
  }
  const BandChoice& c = chosen(build);
  text += fmt::format("{} bands on another draw of engines, and with coefficients drawn too:\n",
                      build.set.profiles.size());
  text += "     " + percents(c.second) + "\n     " + percents(c.drawn) + "\n";
  return text;
}

nlohmann::ordered_json build_json(const BaselineBuild& build) {
  nlohmann::ordered_json json{{"schema", "idlefit.profile-build/1"},
                              {"engines", build.engines},
                              {"authority_share", kAuthority},
                              {"profiles", nlohmann::ordered_json::array()},
                              {"by_bands", nlohmann::ordered_json::array()}};
  for (const BaselineProfile& p : build.set.profiles)
    json["profiles"].push_back(
        {{"name", p.name},
         {"map_sea_level_kPa", {finite(p.map_from_kPa), finite(p.map_to_kPa)}},
         {"meaning", p.meaning}});
  for (const BandChoice& c : build.by_bands)
    json["by_bands"].push_back({{"bands", c.edges_kPa.size() + 1},
                                {"edges_kPa", c.edges_kPa},
                                {"own", figures_json(c.own)},
                                {"second", figures_json(c.second)},
                                {"drawn", figures_json(c.drawn)}});
  return json;
}

std::string build_picture(const BaselineBuild& build) {
  constexpr double kWidth = 640, kHeight = 400, kLeft = 60, kBottom = 350, kTop = 30, kRight = 620;
  double most = 0;
  for (const BandChoice& c : build.by_bands)
    for (const Series& s : kSeries) most = std::max(most, c.*s.of.*s.figure);
  const double top = std::ceil(most * 20) / 20;  // by 5 %
  const auto bands = static_cast<double>(build.by_bands.size());
  const auto x = [&](double band) { return kLeft + (band - 0.5) / bands * (kRight - kLeft); };
  const auto y = [&](double share) { return kBottom - share / top * (kBottom - kTop); };
  std::string svg = fmt::format(
      "<svg xmlns=\"http://www.w3.org/2000/svg\" version=\"1.1\" width=\"{0}\" height=\"{1}\" "
      "viewBox=\"0 0 {0} {1}\" font-family=\"sans-serif\" font-size=\"12\">\n"
      "<title>Fuelling error over the number of baselines</title>\n"
      "<rect width=\"{0}\" height=\"{1}\" fill=\"white\"/>\n",
      kWidth, kHeight);
  for (double share = 0; share <= top + 1e-9; share += 0.05)
    svg += fmt::format(
        "<path d=\"M{0} {1:.1f}H{2}\" stroke=\"#d0d0d0\"/>\n"
        "<text x=\"{3}\" y=\"{4:.1f}\" text-anchor=\"end\">{5:.0f}%</text>\n",
        kLeft, y(share), kRight, kLeft - 6, y(share) + 4, 100 * share);
  for (double b = 1; b <= bands; b += 1)
    svg += fmt::format("<text x=\"{:.1f}\" y=\"{}\" text-anchor=\"middle\">{:.0f}</text>\n", x(b),
                       kBottom + 18, b);
  svg += fmt::format(
      "<text x=\"{:.1f}\" y=\"{}\" text-anchor=\"middle\">number of baselines</text>\n"
      "<text x=\"{}\" y=\"18\">fuelling error of an engine started on its baseline</text>\n",
      0.5 * (kLeft + kRight), kBottom + 40, kLeft);
  double legend = kTop + 16;
  for (const Series& s : kSeries) {
    std::string path;
    for (std::size_t b = 0; b < build.by_bands.size(); ++b)
      path += fmt::format("{}{:.1f} {:.1f}", b == 0 ? "M" : "L", x(static_cast<double>(b + 1)),
                          y(build.by_bands[b].*s.of.*s.figure));
    const std::string line =
        fmt::format("fill=\"none\" stroke=\"{}\" stroke-width=\"2\" stroke-dasharray=\"{}\"",
                    s.colour, *s.dash == '\0' ? "none" : s.dash);
    svg += fmt::format(
        "<path d=\"{}\" {}/>\n<path d=\"M360 {}h30\" {}/>\n<text x=\"396\" y=\"{}\">{}</text>\n",
        path, line, legend - 4, line, legend, s.name);
    legend += 18;
  }
  return svg + "</svg>\n";
}

}  // namespace idlefit
