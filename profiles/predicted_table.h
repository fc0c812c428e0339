#pragma once

#include <string>

#include "model/ve_surface.h"
#include "profiles/baseline_profile.h"

namespace idlefit {

/// A computed VE surface as the table of a profile; `source` says of what it was computed.
VeTable ve_table_of(const VeSurface& surface, const std::string& source);

/// The axes of a profile's table, to read it by.
VeGrid grid_of(const VeTable& table);

}  // namespace idlefit
