#include <vector>

#include "profiles/engine_file.h"
#include "tests/fuzz/target.h"

namespace idlefit::fuzz {
namespace {

// Each line one --set KEY=VALUE of an engine that has no file.
void read(std::string_view text) {
  std::vector<std::string> sets(1);
  for (const char c : text) {
    if (c == '\n') {
      sets.emplace_back();
    } else if (c != '\0') {  // no argument of a program holds one
      sets.back() += c;
    }
  }
  write_engine_card(read_engine_card("", sets));
}

}  // namespace
}  // namespace idlefit::fuzz

IDLEFIT_FUZZ(idlefit::fuzz::read)
