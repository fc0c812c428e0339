#include "profiles/predicted_table.h"

#include "profiles/units.h"

namespace idlefit {

VeTable ve_table_of(const VeSurface& surface, const std::string& source) {
  VeTable table;
  table.speed_rpm = surface.grid.speed_rpm;
  for (const double map_Pa : surface.grid.map_Pa)
    table.map_kPa.push_back(from_program_unit(map_Pa, "kPa", Dimension::pressure));
  table.ve = surface.ve;
  table.below_no_load = surface.below_no_load;
  table.density_at = DensityAt::charge;
  table.temperature_K = surface.charge_K;
  table.basis = Basis::computed;
  table.source = source;
  return table;
}

VeGrid grid_of(const VeTable& table) {
  VeGrid grid{table.speed_rpm, {}};
  for (const double map_kPa : table.map_kPa)
    grid.map_Pa.push_back(to_program_unit(map_kPa, "kPa", Dimension::pressure));
  return grid;
}

}  // namespace idlefit
