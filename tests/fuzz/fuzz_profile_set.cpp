#include "profiles/baselines.h"
#include "tests/fuzz/target.h"

namespace idlefit::fuzz {
namespace {

void read(std::string_view text) {
  file_of(text, "baselines.yaml");
  const BaselineSet set = read_baselines(".");
  try {
    require(parse_baselines(write_baselines(set), "written") == set,
            "a profile set that reads back as another");
  } catch (const InputError& refused) {
    finding(std::string("a profile set is written that is refused: ") + refused.what());
  }
}

}  // namespace
}  // namespace idlefit::fuzz

IDLEFIT_FUZZ(idlefit::fuzz::read)
