#pragma once

namespace idlefit {

/// Runs one command line and returns its exit code. Bad input, and what cannot be written, are
/// reported on standard error here; other exceptions pass.
int run(int argc, char** argv);

}  // namespace idlefit
