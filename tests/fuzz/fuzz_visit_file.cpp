#include "profiles/visit_file.h"
#include "tests/fuzz/target.h"

namespace idlefit::fuzz {
namespace {

void read(std::string_view text) { read_visit(file_of(text)); }

}  // namespace
}  // namespace idlefit::fuzz

IDLEFIT_FUZZ(idlefit::fuzz::read)
