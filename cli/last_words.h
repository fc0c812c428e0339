#pragma once

#include <exception>

namespace idlefit {

/// Sees to it that the program says on standard error why it ends, whatever ends it: out of memory,
/// be it for an object, for a thread's exception or for the stack, is told as such, all else as a
/// mistake of the program; both end it with kExitBug. To be called first in main.
void prepare_last_words();

/// Says what an exception means that no command expects. Allocates nothing.
void say_last_words(const std::exception_ptr& problem);

}  // namespace idlefit
