#pragma once

#include <array>
#include <memory>

#include "model/coefficients.h"
#include "model/cycle.h"
#include "model/engine.h"

// The cycle of model/cycle.h a second time: the same equations in other variables (masses,
// temperatures and burned fractions instead of conserved extents), written as one right-hand side
// over the crank angle and integrated with error control by SUNDIALS CVODE, which starts anew at
// every valve event and at ignition. Geometry and valve lift are worked out at the exact angle, no
// tables. Shared with the model are its laws (flow, valve area and motion, gas, heat, burn,
// friction) and its constants; the steps, their implicit solution, the set-up of the cycle and the
// search for the idle are not.

namespace idlefit::reference {

struct CvodeOptions {
  enum class Method {
    bdf,           ///< backward differentiation, Newton, dense Jacobian by finite differences
    adams,         ///< Adams-Moulton by functional iteration
    adams_newton,  ///< Adams-Moulton by Newton as for bdf
  } method = Method::bdf;
  double relative_tolerance = 1e-9;
};

/// What one cycle gives. `end.plenum_*` and `end.map_Pa` are the start's.
struct CvodeCycleResult {
  bool integrated = false;  ///< false: CVODE gave up, nothing else holds
  CycleState<double> end{};
  double imep_net_Pa = 0, fmep_Pa = 0, accessory_mep_Pa = 0;
  double fresh_kg = 0;         ///< net, through the gas column
  double forward_kg = 0;       ///< all that the plenum gave
  double back_burned_kg = 0;   ///< burned gas pushed back into the plenum
  double back_enthalpy_J = 0;  ///< of all that was pushed back
  double burned_share = 0;     ///< of the fresh charge in the cylinder
  long rate_calls = 0;         ///< calls of the right-hand side, for Jacobians too
};

class CvodeCycle {
 public:
  CvodeCycle(const Engine& engine, const Coefficients<double>& coefficients,
             const CvodeOptions& options = {});
  ~CvodeCycle();
  CvodeCycle(CvodeCycle&&) noexcept;

  CvodeCycleResult run(const CycleState<double>& start) const;

  /// What is missing from a periodic, balanced idle, in the order of CycleState, each row over its
  /// scale(); the last is net imep less losses, in bar.
  std::array<double, kCycleUnknowns> mismatch(const CycleState<double>& start,
                                              const CvodeCycleResult& result) const;
  std::array<double, kCycleUnknowns> scale() const;
  double relative_tolerance() const;

  /// The plenum that the runners' backflow of this cycle makes.
  void mix_plenum(const CvodeCycleResult& result, CycleState<double>& state) const;

 private:
  struct Parts;
  std::unique_ptr<Parts> parts_;
};

struct CvodeIdle {
  bool found = false;
  CycleState<double> state{};
  CvodeCycleResult cycle;  ///< from that state
  double worst_mismatch = 0;
  int cycles = 0;  ///< cycles integrated
};

/// The idle from a start near it: the engine runs at the start's manifold pressure until its cycle
/// nearly repeats, then Newton's method on all unknowns, with the Jacobian once by finite
/// differences and updated after Broyden, until no mismatch is left above `tolerance`.
CvodeIdle idle_by_newton(const CvodeCycle& cycle, const CycleState<double>& start,
                         double tolerance = 1e-7);

/// The idle as one would find it with an integrator alone: the engine runs at a manifold pressure
/// until its cycle repeats within `tolerance`, and a secant on the pressure finds the torque
/// balance within `torque_bar`.
CvodeIdle idle_by_secant(const CvodeCycle& cycle, const CycleState<double>& start,
                         double tolerance = 2e-5, double torque_bar = 1e-4);

}  // namespace idlefit::reference
