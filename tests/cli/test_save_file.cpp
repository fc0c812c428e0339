#include <fcntl.h>
#include <sched.h>
#include <signal.h>
#include <sys/mount.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <chrono>
#include <filesystem>
#include <functional>
#include <random>
#include <string>
#include <thread>
#include <vector>

#include "cli/save_file.h"
#include "tests/support/run_program.h"

namespace idlefit {
namespace {

namespace fs = std::filesystem;
using Catch::Contains;

std::vector<std::string> names_in(const std::string& folder) {
  std::vector<std::string> names;
  for (const auto& entry : fs::directory_iterator(folder)) names.push_back(entry.path().filename());
  std::sort(names.begin(), names.end());
  return names;
}

using Names = std::vector<std::string>;

// --- Keeping -------------------------------------------------------------------------------------

TEST_CASE("a file that is there is kept under the first free name", "[consistency]") {
  const TemporaryFolder folder;
  const std::string path = folder.path() + "/shop.yaml";
  CHECK(save_file_keeping(path, "one").empty());
  CHECK(names_in(folder.path()) == Names{"shop.yaml"});
  CHECK(save_file_keeping(path, "two") == path + ".before-1");
  CHECK(save_file_keeping(path, "three") == path + ".before-2");
  CHECK(read_file(path) == "three");
  CHECK(read_file(path + ".before-1") == "one");
  CHECK(read_file(path + ".before-2") == "two");

  fs::remove(path + ".before-1");
  CHECK(save_file_keeping(path, "four") == path + ".before-1");
  CHECK(read_file(path + ".before-1") == "three");
  CHECK(read_file(path + ".before-2") == "two");
  CHECK(names_in(folder.path()) == Names{"shop.yaml", "shop.yaml.before-1", "shop.yaml.before-2"});
}

TEST_CASE("what is kept no longer changes with the file", "[consistency]") {
  const TemporaryFolder folder;
  const std::string path = folder.write("shop.yaml", "one");
  const std::string kept = save_file_keeping(path, "two");
  save_file(path, "three");
  CHECK(read_file(kept) == "one");
}

TEST_CASE("saving without keeping leaves one file", "[consistency]") {
  const TemporaryFolder folder;
  const std::string path = folder.write("shop.yaml", "one");
  save_file(path, "");
  CHECK(read_file(path).empty());
  CHECK(names_in(folder.path()) == Names{"shop.yaml"});
}

TEST_CASE("the new file has the permissions of the old", "[consistency]") {
  const TemporaryFolder folder;
  const std::string path = folder.write("shop.yaml", "one");
  REQUIRE(chmod(path.c_str(), 0640) == 0);
  const std::string kept = save_file_keeping(path, "two");
  for (const std::string& name : {path, kept}) {
    struct stat there;
    REQUIRE(stat(name.c_str(), &there) == 0);
    CHECK((there.st_mode & 07777) == 0640);
  }
}

TEST_CASE("a name without a folder is saved where the program runs", "[consistency]") {
  const TemporaryFolder folder;
  const fs::path before = fs::current_path();
  fs::current_path(folder.path());
  save_file_keeping("shop.yaml", "one");
  const std::string kept = save_file_keeping("shop.yaml", "two");
  check_writable("other.yaml");
  fs::current_path(before);
  CHECK(kept == "shop.yaml.before-1");
  CHECK(names_in(folder.path()) == Names{"shop.yaml", "shop.yaml.before-1"});
}

TEST_CASE("a temporary file that a killed program left is no hindrance", "[consistency]") {
  const TemporaryFolder folder;
  const std::string path = folder.path() + "/shop.yaml";
  const std::string left = "shop.yaml." + std::to_string(getpid()) + ".tmp";
  folder.write(left, "half");
  save_file_keeping(path, "one");
  check_writable(path);
  CHECK(names_in(folder.path()) == Names{"shop.yaml", left});
}

// --- Where nothing can be written ----------------------------------------------------------------

const std::vector<std::function<void(const std::string&)>> kWays{
    [](const std::string& path) { save_file(path, "new"); },
    [](const std::string& path) { save_file_keeping(path, "new"); },
    [](const std::string& path) { check_writable(path); }};

TEST_CASE("a place where no file can be is refused", "[consistency]") {
  const TemporaryFolder folder;
  const std::string file = folder.write("plain", "old");
  const std::string pipe = folder.path() + "/pipe";
  REQUIRE(mkfifo(pipe.c_str(), 0600) == 0);
  fs::create_directory(folder.path() + "/folder");
  fs::create_symlink("pipe", folder.path() + "/link");
  const Names before = names_in(folder.path());

  struct Place {
    std::string path, says;
  };
  for (const auto& [path, says] :
       std::vector<Place>{{folder.path() + "/nowhere/x.yaml", "no such folder"},
                          {file + "/x.yaml", "Not a directory"},
                          {folder.path() + "/folder", "it is a folder"},
                          {folder.path() + "/folder/", "it is a folder"},
                          {pipe, "it is not a plain file"},
                          {folder.path() + "/link", "it is not a plain file"},
                          {folder.path() + "/" + std::string(260, 'x'), "too long"},
                          {"/proc/idlefit.yaml", ""},
                          {"", "the name is empty"}}) {
    for (const auto& way : kWays) {
      CAPTURE(path);
      CHECK_THROWS_AS(way(path), CannotWrite);
      CHECK_THROWS_WITH(way(path), Contains("cannot be written") && Contains(says));
    }
  }
  CHECK(names_in(folder.path()) == before);
  CHECK(names_in(folder.path() + "/folder").empty());
  CHECK(read_file(file) == "old");
  CHECK(fs::is_fifo(pipe));
  CHECK(fs::is_symlink(folder.path() + "/link"));
}

TEST_CASE("a place where a file can be is left as it was by asking", "[consistency]") {
  const TemporaryFolder folder;
  check_writable(folder.path() + "/new.yaml");
  CHECK(names_in(folder.path()).empty());
  const std::string path = folder.write("shop.yaml", "old");
  check_writable(path);
  CHECK(read_file(path) == "old");
  CHECK(names_in(folder.path()) == Names{"shop.yaml"});
}

// Runs a part of a test in a process of its own, which it may spoil. Returns its exit code.
constexpr int kNotPossibleHere = 77;
int in_child(const std::function<int()>& part) {
  const pid_t child = fork();
  REQUIRE(child >= 0);
  if (child == 0) {
    int code = 99;
    try {
      code = part();
    } catch (const std::exception& problem) {
      fprintf(stderr, "%s\n", problem.what());
    }
    _exit(code);
  }
  int status = 0;
  REQUIRE(waitpid(child, &status, 0) == child);
  return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
}

bool refused(const std::function<void(const std::string&)>& way, const std::string& path,
             const std::string& says) {
  try {
    way(path);
  } catch (const CannotWrite& problem) {
    return std::string(problem.what()).find(says) != std::string::npos;
  }
  return false;
}

void check_child(int code) {
  if (code == kNotPossibleHere) {
    WARN("not shown: this needs root, or a machine that lets users mount");
    return;
  }
  CHECK(code == 0);  // else the number of the step that failed
}

// A mount that nobody else sees and that goes away with the process.
bool mount_for_this_process(const char* type, const std::string& folder, const char* data) {
  return unshare(CLONE_NEWNS) == 0 &&
         mount("none", "/", nullptr, MS_REC | MS_PRIVATE, nullptr) == 0 &&
         mount("none", folder.c_str(), type, 0, data) == 0;
}

TEST_CASE("a folder on a read-only disk is refused", "[consistency]") {
  const TemporaryFolder folder;
  check_child(in_child([&] {
    const std::string path = folder.path() + "/shop.yaml";
    if (!mount_for_this_process("tmpfs", folder.path(), "")) return kNotPossibleHere;
    save_file(path, "old");
    if (mount("none", folder.path().c_str(), nullptr, MS_REMOUNT | MS_RDONLY, nullptr) != 0) {
      return kNotPossibleHere;
    }
    int step = 0;
    for (const auto& way : kWays) {
      if (++step; !refused(way, path, "Read-only file system")) return step;
      if (++step; !refused(way, folder.path() + "/new.yaml", "Read-only file system")) return step;
    }
    if (++step; read_file(path) != "old") return step;
    if (++step; names_in(folder.path()) != Names{"shop.yaml"}) return step;
    return 0;
  }));
}

// Root may write anywhere, so as somebody else.
bool become_nobody() {
  constexpr unsigned kNobody = 65534;
  return geteuid() != 0 || (setgid(kNobody) == 0 && setuid(kNobody) == 0);
}

TEST_CASE("a folder that one may not write to is refused", "[consistency]") {
  const TemporaryFolder folder;
  const std::string path = folder.write("shop.yaml", "old");
  REQUIRE(chmod(path.c_str(), 0666) == 0);
  REQUIRE(chmod(folder.path().c_str(), 0555) == 0);
  check_child(in_child([&] {
    if (!become_nobody()) return kNotPossibleHere;
    int step = 0;
    for (const auto& way : kWays) {
      if (++step; !refused(way, path, "Permission denied")) return step;
    }
    return 0;
  }));
  CHECK(names_in(folder.path()) == Names{"shop.yaml"});
  CHECK(read_file(path) == "old");
  REQUIRE(chmod(folder.path().c_str(), 0755) == 0);
}

TEST_CASE("a file that cannot be linked is kept as a copy", "[consistency]") {
  const TemporaryFolder folder;
  const std::string path = folder.write("shop.yaml", std::string(200'000, 'o'));
  REQUIRE(chmod(path.c_str(), 0644) == 0);
  REQUIRE(chmod(folder.path().c_str(), 0777) == 0);
  folder.write("shop.yaml.before-1", "older");
  check_child(in_child([&] {
    // Linux forbids a link to somebody else's file that one may not write; as FAT does to any.
    if (geteuid() != 0 || !become_nobody()) return kNotPossibleHere;
    if (link(path.c_str(), (folder.path() + "/probe").c_str()) == 0) {
      unlink((folder.path() + "/probe").c_str());
      return kNotPossibleHere;
    }
    if (save_file_keeping(path, "new") != path + ".before-2") return 1;
    if (read_file(path + ".before-2") != std::string(200'000, 'o')) return 2;
    if (read_file(path) != "new") return 3;
    if (read_file(path + ".before-1") != "older") return 4;
    if (names_in(folder.path()).size() != 3) return 5;
    return 0;
  }));
}

TEST_CASE("a full disk loses nothing", "[consistency]") {
  const TemporaryFolder folder;
  check_child(in_child([&] {
    if (!mount_for_this_process("tmpfs", folder.path(), "size=256k")) return kNotPossibleHere;
    const std::string path = folder.path() + "/shop.yaml";
    const std::string old(100'000, 'o'), next(200'000, 'n');
    save_file(path, old);
    const auto saves = {
        std::function<void(const std::string&)>([&](const auto& to) { save_file(to, next); }),
        std::function<void(const std::string&)>(
            [&](const auto& to) { save_file_keeping(to, next); })};
    int step = 0;
    for (const auto& way : saves) {
      if (++step; !refused(way, path, "No space left on device. Make room")) return step;
      if (++step; read_file(path) != old) return step;
      if (++step; names_in(folder.path()) != Names{"shop.yaml"}) return step;
    }
    // What fits is still written.
    if (++step; save_file_keeping(path, "new") != path + ".before-1") return step;
    if (++step; read_file(path) != "new") return step;
    return 0;
  }));
}

TEST_CASE("a write that fails half-way loses nothing", "[consistency]") {
  const TemporaryFolder folder;
  const std::string path = folder.write("shop.yaml", "old");
  check_child(in_child([&] {
    signal(SIGXFSZ, SIG_IGN);
    const rlimit at_most{100'000, 100'000};
    if (setrlimit(RLIMIT_FSIZE, &at_most) != 0) return kNotPossibleHere;
    const auto way = [](const std::string& to) {
      save_file_keeping(to, std::string(200'000, 'n'));
    };
    return refused(way, path, "File too large") ? 0 : 1;
  }));
  CHECK(read_file(path) == "old");
  CHECK(names_in(folder.path()) == Names{"shop.yaml"});
}

// --- Interrupted ---------------------------------------------------------------------------------

// Every file that a command writes goes one of these ways: coefficients and baselines keep what was
// there, the picture of the baselines replaces it, an entry of the book is a file of its own.
struct Way {
  std::string name;
  std::function<void(const std::string& path, int n, const std::string& content)> save;
};
const std::vector<Way> kWaysToSave{
    {"replacing", [](const auto& path, int, const auto& content) { save_file(path, content); }},
    {"keeping",
     [](const auto& path, int, const auto& content) { save_file_keeping(path, content); }},
    {"adding", [](const auto& path, int n, const auto& content) {
       save_new_file(path + "." + std::to_string(n), content);
     }}};

// Kills a process that saves over and over, at random moments.
void check_kills(const Way& way, int kills, unsigned seed) {
  const TemporaryFolder folder;
  const std::string path = folder.path() + "/shop.yaml";
  // Long enough that the moment often falls into the writing.
  const std::string a(300'000, 'a'), b(500'000, 'b');
  const auto whole = [&](const std::string& name) {
    const std::string text = read_file(name);
    return text == a || text == b;
  };
  std::mt19937 random(seed);
  std::uniform_int_distribution<int> moment_us(0, 20'000);
  int written = 0, left = 0;
  for (int i = 0; i < kills; ++i) {
    const int signal = std::array{SIGINT, SIGTERM, SIGKILL}[static_cast<std::size_t>(i) % 3];
    save_file(path, a);
    // The test's framework handles signals in its own way: the child goes back to the usual one.
    sigset_t interrupts, before;
    sigemptyset(&interrupts);
    sigaddset(&interrupts, SIGINT);
    sigaddset(&interrupts, SIGTERM);
    sigprocmask(SIG_BLOCK, &interrupts, &before);
    const pid_t child = fork();
    if (child == 0) {
      ::signal(SIGINT, SIG_DFL);
      ::signal(SIGTERM, SIG_DFL);
      sigprocmask(SIG_SETMASK, &before, nullptr);
      for (int n = 1;; ++n) way.save(path, n, n % 2 == 1 ? b : a);
    }
    sigprocmask(SIG_SETMASK, &before, nullptr);
    REQUIRE(child >= 0);
    std::this_thread::sleep_for(std::chrono::microseconds(moment_us(random)));
    REQUIRE(kill(child, signal) == 0);
    int status = 0;
    REQUIRE(waitpid(child, &status, 0) == child);
    REQUIRE(WIFSIGNALED(status));
    CHECK(WTERMSIG(status) == signal);

    REQUIRE(file_exists(path));
    CHECK(whole(path));
    if (read_file(path) == b) ++written;
    for (const std::string& name : names_in(folder.path())) {
      if (name == "shop.yaml") continue;
      if (name.ends_with(".tmp")) {
        // Only what cannot be held off may leave one behind.
        CHECK(signal == SIGKILL);
        ++left;
      } else {
        CHECK(whole(folder.path() + "/" + name));
        ++written;
      }
      fs::remove(folder.path() + "/" + name);
    }
  }
  INFO(written << " times written, " << left << " times killed while writing");
  CHECK(written > 0);
}

TEST_CASE("a kill at any of 200 moments leaves the old file or the new one, whole",
          "[consistency]") {
  for (const Way& way : kWaysToSave) {
    INFO(way.name);
    check_kills(way, 67, 1);
  }
}

TEST_CASE("a kill at any of many moments leaves the old file or the new one, whole",
          "[consistency][long]") {
  for (const Way& way : kWaysToSave) {
    INFO(way.name);
    check_kills(way, 900, 2);
  }
}

}  // namespace
}  // namespace idlefit
