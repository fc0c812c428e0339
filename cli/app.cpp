#include "cli/app.h"

#include <fmt/format.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <cstdio>
#include <iostream>
#include <string>
#include <vector>

#include "cli/estimate.h"
#include "cli/exit_code.h"
#include "cli/questions.h"
#include "cli/save_file.h"
#include "cli/terminal.h"
#include "profiles/baselines.h"
#include "profiles/engine_file.h"
#include "profiles/input_error.h"
#include "profiles/yaml_reader.h"

namespace idlefit {
namespace {

/// What every command takes.
struct CommonOptions {
  bool json = false;
  bool quiet = false;
  std::string color = "auto";
  std::string profiles;
};

void add_common(CLI::App& command, CommonOptions& options) {
  command.add_flag("--json", options.json, "Print one JSON document");
  command.add_flag("--quiet", options.quiet, "Print the first line alone");
  command.add_option("--profiles", options.profiles, "A shop's own baseline profiles")
      ->type_name("FOLDER");
  command.add_option("--color", options.color, "Colour the text; auto: at a terminal")
      ->check(CLI::IsMember({"auto", "always", "never"}))
      ->type_name("WHEN");
}

Style style_of(const CommonOptions& options) {
  return {use_color(options.color == "always"  ? ColorChoice::always
                    : options.color == "never" ? ColorChoice::never
                                               : ColorChoice::automatic)};
}

BaselineSet baselines_of(const CommonOptions& options) {
  return options.profiles.empty() ? built_in_baselines() : read_baselines(options.profiles);
}

void print(std::string_view text) { std::fwrite(text.data(), 1, text.size(), stdout); }

int usage_error(const std::string& message, const std::string& command) {
  fmt::print(stderr, "idlefit: {}\nTry: idlefit{}{} --help\n", message, command.empty() ? "" : " ",
             command);
  return kExitUsage;
}

// --- estimate
// -------------------------------------------------------------------------------------

struct EstimateCommand {
  CommonOptions common;
  std::string file;
  std::vector<std::string> sets;
  bool explain = false;

  void add_to(CLI::App& command) {
    command.add_option("ENGINE.yaml", file, "Engine file; - reads standard input")->type_name("");
    command.add_option("--set", sets, "Give or override a value of the file; repeatable")
        ->type_name("KEY=VALUE")
        ->allow_extra_args(false);
    command.add_flag("--explain", explain, "Show what the pressure is made of");
    add_common(command, common);
    command.footer(
        "Examples:\n"
        "  idlefit estimate truck.yaml\n"
        "  idlefit estimate truck.yaml --set 'idle.altitude=5000 ft' --explain\n"
        "  idlefit estimate --set engine.cylinders=8 --set 'engine.displacement=5.7 L' \\\n"
        "                   --set cam.described_as=mild\n"
        "  idlefit estimate          (at a terminal: asks a few questions)\n"
        "Exit code: 0 an answer to rely on; 1 an answer not to be relied on (no idle, or not\n"
        "converged); 2 the command line is wrong; 3 the engine file is; 4 cannot write; 5 a bug.");
  }

  int run() const {
    const Style style = style_of(common);
    if (file.empty() && sets.empty()) {
      if (common.json || isatty(STDIN_FILENO) != 1 || isatty(STDOUT_FILENO) != 1) {
        return usage_error("estimate needs an engine file or --set, or a terminal to ask at",
                           "estimate");
      }
      return ask_and_estimate(std::cin, std::cout, baselines_of(common), style);
    }
    const EngineCard card = read_engine_card(file, sets);
    const BaselineSet baselines = baselines_of(common);
    const Estimate answer = estimate(card, baselines, explain);
    if (common.json) {
      print(estimate_json(answer).dump(2) + "\n");
    } else if (common.quiet) {
      print(estimate_line(answer) + "\n");
    } else {
      print(estimate_text(answer, baselines, style));
    }
    return answer.reliable() ? kExitAnswer : kExitUnreliable;
  }
};

// --- The command line
// -----------------------------------------------------------------------------

// The names that an argument may have been meant as: options of a command, or commands.
std::vector<std::string> names_like(const CLI::App& app, bool option) {
  std::vector<std::string> names;
  if (option) {
    for (const CLI::Option* o : app.get_options()) {
      for (const std::string& name : o->get_lnames()) names.push_back("--" + name);
    }
  } else {
    for (const CLI::App* command : app.get_subcommands([](const CLI::App*) { return true; })) {
      names.push_back(command->get_name());
    }
  }
  return names;
}

std::string unexpected(const CLI::App& app, const std::string& argument) {
  const bool option = argument.size() > 1 && argument[0] == '-';
  const std::string shown = printable(argument);
  const std::vector<std::string> names = names_like(app, option);
  const std::vector<std::string_view> candidates(names.begin(), names.end());
  const std::string name = argument.substr(0, argument.find('='));
  const std::string near = nearest_name(name, candidates);
  if (!option && app.get_name() == "idlefit" && argument.ends_with(".yaml")) {
    return "say what to do with the file, for example: idlefit estimate " + shown;
  }
  std::string message = option                        ? "unknown option " + shown
                        : app.get_name() == "idlefit" ? "unknown command " + shown
                                                      : "unexpected argument " + shown;
  message += near.empty() ? "." : fmt::format("; did you mean {}?", near);
  return message;
}

}  // namespace

int run(int argc, char** argv) {
  CLI::App app{
      "Predicts the warm idle of an engine from its cam card: manifold pressure, vacuum,\n"
      "air and fuel; and names the baseline calibration to start from.",
      "idlefit"};
  app.set_version_flag("--version", std::string("idlefit ") + IDLEFIT_VERSION);
  app.footer("Example:\n  idlefit estimate truck.yaml\nMore: idlefit estimate --help");
  app.allow_extras();

  EstimateCommand estimate_command;
  CLI::App* estimate_app = app.add_subcommand(
      "estimate", "Idle pressure, vacuum and baseline of one engine, and what to ask next");
  estimate_app->allow_extras();
  estimate_command.add_to(*estimate_app);

  const CLI::App* chosen = &app;
  try {
    app.parse(argc, argv);
    if (estimate_app->parsed()) chosen = estimate_app;
    const std::vector<std::string> extra = chosen->remaining();
    const std::string command = chosen == &app ? "" : chosen->get_name();
    if (!extra.empty()) return usage_error(unexpected(*chosen, extra.front()), command);
    if (chosen == &app) {
      return usage_error("say what to do, for example: idlefit estimate truck.yaml", command);
    }
    return estimate_command.run();
  } catch (const CLI::Success& asked) {  // --help, --version
    return app.exit(asked);
  } catch (const CLI::ParseError& error) {
    return usage_error(error.what(), estimate_app->parsed() ? "estimate" : "");
  } catch (const InputError& error) {
    fmt::print(stderr, "{}\n", error.what());
    return kExitInput;
  } catch (const CannotWrite& error) {
    fmt::print(stderr, "{}\n", error.what());
    return kExitCannotWrite;
  }
}

}  // namespace idlefit
