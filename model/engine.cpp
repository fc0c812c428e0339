#include "model/engine.h"

#include "model/constants.h"

namespace idlefit {

double displacement_m3(const Engine& engine) {
  return engine.build.cylinders * kPi / 4.0 * engine.inputs.bore_m * engine.inputs.bore_m *
         engine.inputs.stroke_m;
}

}  // namespace idlefit
