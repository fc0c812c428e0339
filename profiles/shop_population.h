#pragma once

#include <cstddef>
#include <vector>

#include "model/idle.h"
#include "model/uncertainty.h"
#include "model/ve_surface.h"
#include "profiles/engine_file.h"

namespace idlefit {

/// An engine that a shop sees, warm, in neutral, at sea level.
struct ShopEngine {
  EngineCard card;  ///< what a customer tells by telephone: cylinders, displacement, a word for the
                    ///< cam; the rest of the engine is drawn as completion assumes it
  Engine engine;
  OperatingPoint idle;
  VeSurface ve;  ///< on standard_ve_grid()
};

/// A baseline set ends here: above, an engine wants a custom calibration (common practice, no
/// source).
inline constexpr double kCustomAbove_Pa = 80e3;

/// `count` engines that idle below kCustomAbove_Pa, drawn from what shops that convert carburetted
/// engines see (docs/baselines.md has the shares): number of cylinders and displacement, a word for
/// the cam, all else given that as completion assumes it. The same numbers for the same `draw`, on
/// any machine. `coefficients` null: those of the mean of `knowledge`; else each engine has its
/// own, drawn from it.
enum class CoefficientsOf { mean, draws };
std::vector<ShopEngine> shop_population(std::size_t count, unsigned draw,
                                        const CoefficientKnowledge& knowledge,
                                        CoefficientsOf coefficients,
                                        unsigned threads = default_threads());

/// The shares that a population is drawn by, for its description.
struct ShopShare {
  const char* what;
  double share;
};
std::vector<ShopShare> shop_engine_shares();
std::vector<ShopShare> shop_cam_shares();

}  // namespace idlefit
