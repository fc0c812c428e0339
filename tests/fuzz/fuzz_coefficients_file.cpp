#include "profiles/coefficients_file.h"
#include "tests/fuzz/target.h"

namespace idlefit::fuzz {
namespace {

void read(std::string_view text) {
  const std::string path = file_of(text);
  run([&] { read_embedded_points(path); });
  const std::string written = write_coefficients(read_coefficients(path));
  try {
    require(write_coefficients(read_coefficients(file_of(written))) == written,
            "a coefficients file that reads back as another");
  } catch (const InputError& refused) {
    finding(std::string("a coefficients file is written that is refused: ") + refused.what());
  }
}

}  // namespace
}  // namespace idlefit::fuzz

IDLEFIT_FUZZ(idlefit::fuzz::read)
