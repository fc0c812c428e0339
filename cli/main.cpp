#include <fmt/format.h>
#include <glog/logging.h>
#include <signal.h>
#include <unistd.h>

#include <cerrno>
#include <cstdio>
#include <cstring>
#include <exception>

#include "cli/app.h"
#include "cli/exit_code.h"
#include "cli/last_words.h"

namespace {

extern "C" void on_interrupt(int) { _exit(idlefit::kExitInterrupted); }

int guarded_run(int argc, char** argv) {
  try {
    return idlefit::run(argc, argv);
  } catch (const std::exception&) {
    idlefit::say_last_words(std::current_exception());
  }
  return idlefit::kExitBug;
}

}  // namespace

int main(int argc, char** argv) {
  idlefit::prepare_last_words();
  // A closed pipe downstream ends the program silently, which is the default of SIGPIPE.
  struct sigaction interrupt = {};
  interrupt.sa_handler = on_interrupt;
  sigaction(SIGINT, &interrupt, nullptr);
  // A file that outgrows what the system allows is a write that fails, with a message.
  signal(SIGXFSZ, SIG_IGN);

  // Ceres logs through glog, which would print on standard error whatever the solver is told.
  FLAGS_minloglevel = google::GLOG_FATAL;
  google::InitGoogleLogging(argv[0]);

  const int code = guarded_run(argc, argv);
  // A full disk shows only when the last of the output is written.
  if (std::fflush(stdout) != 0 || std::ferror(stdout) != 0) {
    fmt::print(stderr, "idlefit: the answer cannot be written: {}.\n", std::strerror(errno));
    return code == idlefit::kExitBug ? code : idlefit::kExitCannotWrite;
  }
  return code;
}
