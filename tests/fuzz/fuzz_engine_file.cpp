#include "profiles/engine_file.h"
#include "tests/fuzz/target.h"

namespace idlefit::fuzz {
namespace {

void read(std::string_view text) {
  const EngineCard card = read_engine_card(file_of(text), {});
  // What was read can be written, and reads back.
  const std::string written = write_engine_card(card);
  try {
    require(write_engine_card(parse_engine_card(written, "written")) == written,
            "an engine file that reads back as another");
  } catch (const InputError& refused) {
    finding(std::string("an engine file is written that is refused: ") + refused.what());
  }
  const Completion completion = complete(card);
  require(completion.input_per_latent.allFinite(), "a derivative that is not finite");
}

}  // namespace
}  // namespace idlefit::fuzz

IDLEFIT_FUZZ(idlefit::fuzz::read)
