#pragma once

#include <cstddef>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <exception>
#include <fstream>
#include <string>
#include <string_view>

#include "profiles/input_error.h"

namespace idlefit::fuzz {

/// Ends the run as a finding: libFuzzer keeps the input and names it.
[[noreturn]] inline void finding(std::string_view what) {
  std::fprintf(stderr, "finding: %.*s\n", static_cast<int>(what.size()), what.data());
  std::abort();
}

inline void require(bool holds, std::string_view what) {
  if (!holds) finding(what);
}

/// What every message to a person owes its reader: something said, nothing that is not printable,
/// and no flood.
inline void check_message(std::string_view message) {
  require(!message.empty(), "a message that says nothing");
  require(message.size() < 8000, "a message that floods the screen");
  for (std::size_t i = 0; i < message.size();) {
    const Utf8Character character = utf8_character(message, i);
    require(is_text(character) && character.code != '\t' && character.code != '\r',
            "a message that is not printable");
    i += character.length;
  }
}

/// Runs what a command does with an input. InputError is the one exception it may end with.
template <class Read>
int run(const Read& read) {
  try {
    read();
  } catch (const InputError& refused) {
    check_message(refused.what());
  } catch (const std::exception& escaped) {
    finding(std::string("not an InputError: ") + escaped.what());
  }
  return 0;
}

/// Puts the input where a command finds it: in a file of the working folder, which belongs to this
/// run (tests/fuzz.sh). Returns its name.
inline std::string file_of(std::string_view content, const std::string& name = "input") {
  std::ofstream file(name, std::ios::binary | std::ios::trunc);
  file << content;
  if (!file.flush()) finding("the fuzz target cannot write its input");
  return name;
}

}  // namespace idlefit::fuzz

/// Defines libFuzzer's entry point over a function that takes the input as text.
#define IDLEFIT_FUZZ(read)                                                            \
  extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size);  \
  extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) { \
    const std::string_view text(reinterpret_cast<const char*>(data), size);           \
    return idlefit::fuzz::run([text] { read(text); });                                \
  }
