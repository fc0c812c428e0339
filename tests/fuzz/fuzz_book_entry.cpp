#include "profiles/book.h"
#include "tests/fuzz/target.h"

namespace idlefit::fuzz {
namespace {

void read(std::string_view text) {
  const BookEntry entry = parse_entry(text, "entry.yaml");
  require(!entry_file_name(entry, 0).empty(), "an entry without a file name");
  try {
    const std::string written = write_entry(entry);
    require(write_entry(parse_entry(written, "entry.yaml")) == written,
            "an entry of the book that reads back as another");
  } catch (const InputError& refused) {
    finding(std::string("an entry is written that is refused: ") + refused.what());
  }
}

}  // namespace
}  // namespace idlefit::fuzz

IDLEFIT_FUZZ(idlefit::fuzz::read)
