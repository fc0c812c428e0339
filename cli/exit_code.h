#pragma once

namespace idlefit {

/// What the program tells its caller.
enum ExitCode : int {
  kExitAnswer = 0,         ///< an answer to rely on
  kExitUnreliable = 1,     ///< it ran, but the answer is not to be relied on
  kExitUsage = 2,          ///< the command line is wrong
  kExitInput = 3,          ///< input is missing or invalid
  kExitCannotWrite = 4,    ///< a result could not be written
  kExitBug = 5,            ///< a mistake of the program
  kExitInterrupted = 130,  ///< stopped from the keyboard
};

}  // namespace idlefit
