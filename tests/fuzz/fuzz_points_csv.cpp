#include "profiles/points_file.h"
#include "tests/fuzz/target.h"

namespace idlefit::fuzz {
namespace {

// Engine files that rows name are looked for in the working folder.
void read(std::string_view text) {
  for (const MeasuredRow& row : parse_points(read_points_source({file_of(text)}))) {
    require(row.card != nullptr && !row.readings.empty(),
            "a row of points without engine or reading");
    complete(*row.card);
  }
}

}  // namespace
}  // namespace idlefit::fuzz

IDLEFIT_FUZZ(idlefit::fuzz::read)
