#include "profiles/shop_population.h"

#include <array>
#include <cmath>
#include <cstdint>
#include <optional>
#include <random>

#include "profiles/sampling.h"

namespace idlefit {
namespace {

struct EngineKind {
  const char* what;
  double share;
  int cylinders;
  Layout layout;
  Valvetrain valvetrain;
  double low_m3, high_m3;  // displacement, equally likely by its logarithm
};
// What is converted from a carburettor; chosen after common practice, no source.
constexpr std::array kEngines{EngineKind{"V8, 4.7 to 7.5 L, pushrods", 0.76, 8, Layout::vee,
                                         Valvetrain::pushrod, 4.7e-3, 7.5e-3},
                              EngineKind{"in-line six, 3.3 to 4.9 L, pushrods", 0.12, 6,
                                         Layout::inline_row, Valvetrain::pushrod, 3.3e-3, 4.9e-3},
                              EngineKind{"V6, 2.8 to 4.3 L, pushrods", 0.06, 6, Layout::vee,
                                         Valvetrain::pushrod, 2.8e-3, 4.3e-3},
                              EngineKind{"in-line four, 1.6 to 2.5 L, overhead cam", 0.06, 4,
                                         Layout::inline_row, Valvetrain::overhead, 1.6e-3, 2.5e-3}};

struct CamKind {
  EngineCard::Words word;
  const char* what;
  double share;
};
constexpr std::array kCams{CamKind{EngineCard::Words::stock, "stock", 0.25},
                           CamKind{EngineCard::Words::towing, "towing", 0.10},
                           CamKind{EngineCard::Words::mild, "mild", 0.25},
                           CamKind{EngineCard::Words::street, "street", 0.20},
                           CamKind{EngineCard::Words::lopey, "lopey", 0.15},
                           CamKind{EngineCard::Words::race, "race", 0.05}};

// One of a list by its share.
template <class List>
const auto& pick(const List& list, double uniform) {
  for (const auto& item : list) {
    uniform -= item.share;
    if (uniform < 0.0) return item;
  }
  return list.back();
}

struct Drawn {
  EngineCard card;
  Engine engine;
  Coefficients<double> coefficients;
};

class Draws {
 public:
  Draws(unsigned draw, const CoefficientKnowledge& knowledge, CoefficientsOf of)
      : generator_(draw), unknowns_(knowledge), of_(of) {}

  Drawn next() {
    const EngineKind& kind = pick(kEngines, uniform());
    const CamKind& cam = pick(kCams, uniform());
    EngineCard card;
    card.cylinders = kind.cylinders;
    card.layout = kind.layout;
    card.valvetrain = kind.valvetrain;
    card.displacement_m3 = kind.low_m3 * std::pow(kind.high_m3 / kind.low_m3, uniform());
    card.described_as = cam.word;
    card.altitude_m = 0.0;
    card.gear = EngineCard::Gear::neutral;
    const Eigen::VectorXd latent =
        normals(static_cast<Eigen::Index>(complete(card).latent_keys.size()));
    const Eigen::VectorXd numbers = of_ == CoefficientsOf::draws
                                        ? normals(static_cast<Eigen::Index>(kCoefficientCount))
                                        : Eigen::VectorXd::Zero(kCoefficientCount);
    return {card, complete_at(card, latent), unknowns_.at(numbers)};
  }

 private:
  // Not a distribution of the standard library: those differ from one to another.
  double uniform() { return (static_cast<double>(generator_() >> 11U) + 0.5) * 0x1p-53; }
  Eigen::VectorXd normals(Eigen::Index count) {
    Eigen::VectorXd numbers(count);
    for (double& x : numbers) x = normal_quantile(uniform());
    return numbers;
  }

  std::mt19937_64 generator_;
  CoefficientUnknowns unknowns_;
  CoefficientsOf of_;
};

template <class List>
std::vector<ShopShare> shares(const List& list) {
  std::vector<ShopShare> all;
  for (const auto& item : list) all.push_back({item.what, item.share});
  return all;
}

}  // namespace

std::vector<ShopEngine> shop_population(std::size_t count, unsigned draw,
                                        const CoefficientKnowledge& knowledge, CoefficientsOf of,
                                        unsigned threads) {
  Draws draws(draw, knowledge, of);
  std::vector<ShopEngine> population;
  while (population.size() < count) {
    std::vector<Drawn> batch;
    while (population.size() + batch.size() < count) batch.push_back(draws.next());
    std::vector<std::optional<ShopEngine>> kept(batch.size());
    for_each_index(batch.size(), threads, [&](std::size_t i) {
      const Drawn& d = batch[i];
      const SolveResult idle = solve_idle(d.engine, d.coefficients);
      if (idle.status != Status::ok || idle.point.map_Pa >= kCustomAbove_Pa) return;
      kept[i] = ShopEngine{d.card, d.engine, idle.point,
                           ve_surface(d.engine, d.coefficients, standard_ve_grid(), 1)};
    });
    for (std::optional<ShopEngine>& engine : kept)
      if (engine) population.push_back(std::move(*engine));
  }
  return population;
}

std::vector<ShopShare> shop_engine_shares() { return shares(kEngines); }
std::vector<ShopShare> shop_cam_shares() { return shares(kCams); }

}  // namespace idlefit
