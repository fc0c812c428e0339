#include "cli/app.h"

#include <fmt/format.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <cstdio>
#include <functional>
#include <iostream>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "cli/check.h"
#include "cli/drive_points.h"
#include "cli/estimate.h"
#include "cli/exit_code.h"
#include "cli/fit.h"
#include "cli/profiles.h"
#include "cli/profiles_build.h"
#include "cli/questions.h"
#include "cli/record.h"
#include "cli/review.h"
#include "cli/save_file.h"
#include "cli/table.h"
#include "cli/terminal.h"
#include "profiles/baselines.h"
#include "profiles/book.h"
#include "profiles/coefficients_file.h"
#include "profiles/drive.h"
#include "profiles/engine_file.h"
#include "profiles/input_error.h"
#include "profiles/log_file.h"
#include "profiles/text_file.h"
#include "profiles/visit_file.h"
#include "profiles/yaml_reader.h"

namespace idlefit {
namespace {

/// What every command takes.
struct CommonOptions {
  bool json = false;
  bool quiet = false;
  std::string color = "auto";
  std::string profiles;
  std::optional<std::string> coefficients;  ///< empty: the set that comes with the program
};

// `profiles` false: of a command that uses none.
void add_common(CLI::App& command, CommonOptions& options, bool profiles = true) {
  command.add_flag("--json", options.json, "Print one JSON document");
  command.add_flag("--quiet", options.quiet, "Print the first line alone");
  if (profiles) {
    command.add_option("--profiles", options.profiles, "A shop's own baseline profiles")
        ->type_name("FOLDER");
  }
  command
      .add_option("--coefficients", options.coefficients,
                  "Coefficients that idlefit fit has written")
      ->type_name("FILE");
  command.add_option("--color", options.color, "Colour the text; auto: at a terminal")
      ->check(CLI::IsMember({"auto", "always", "never"}))
      ->type_name("WHEN");
}

// An engine by its file, --set, or both.
void add_engine(CLI::App& command, std::string& file, std::vector<std::string>& sets) {
  command.add_option("ENGINE.yaml", file, "Engine file; - reads standard input")->type_name("");
  command.add_option("--set", sets, "Give or override a value of the file; repeatable")
      ->type_name("KEY=VALUE")
      ->allow_extra_args(false);
}

Style style_of(const CommonOptions& options) {
  return {use_color(options.color == "always"  ? ColorChoice::always
                    : options.color == "never" ? ColorChoice::never
                                               : ColorChoice::automatic)};
}

BaselineSet baselines_of(const CommonOptions& options) {
  return options.profiles.empty() ? built_in_baselines() : read_baselines(options.profiles);
}

CoefficientsFile coefficients_of(const CommonOptions& options) {
  return options.coefficients ? read_coefficients(*options.coefficients) : built_in_coefficients();
}

void print(std::string_view text) { std::fwrite(text.data(), 1, text.size(), stdout); }

int usage_error(const std::string& message, const std::string& command) {
  fmt::print(stderr, "idlefit: {}\nTry: idlefit{}{} --help\n", message, command.empty() ? "" : " ",
             command);
  return kExitUsage;
}

int no_such_profile(const BaselineSet& set, const std::string& name, const std::string& command) {
  std::vector<std::string_view> names;
  for (const BaselineProfile& p : set.profiles) names.push_back(p.name);
  const std::string near = nearest_name(name, names);
  return usage_error(
      fmt::format("no profile {}; {}", printable(name),
                  near.empty() ? fmt::format("the profiles of the set: {}.", fmt::join(names, ", "))
                               : "did you mean " + near + "?"),
      command);
}

// --- estimate
// -------------------------------------------------------------------------------------

struct EstimateCommand {
  CommonOptions common;
  std::string file;
  std::vector<std::string> sets;
  EstimateOptions options;

  void add_to(CLI::App& command) {
    add_engine(command, file, sets);
    command.add_flag("--explain", options.explain, "Show what the pressure is made of");
    command.add_flag("--start", options.start,
                     "Show what to start this engine with: idle speed, spark, injectors");
    command
        .add_option("--sample", options.samples,
                    "Take the interval from so many sampled engines (16 to 100000)")
        ->check(CLI::Range(16, 100'000))
        ->type_name("N");
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
      return ask_and_estimate(std::cin, std::cout, baselines_of(common),
                              coefficients_of(common).posterior, style);
    }
    const EngineCard card = read_engine_card(file, sets);
    const BaselineSet baselines = baselines_of(common);
    EstimateOptions wanted = options;
    wanted.start = common.json || (options.start && !common.quiet);
    const Estimate answer = estimate(card, baselines, coefficients_of(common).posterior, wanted);
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

// --- table

struct TableCommand {
  CommonOptions common;
  std::string file;
  std::vector<std::string> sets;
  bool csv = false, start = false;

  void add_to(CLI::App& command) {
    add_engine(command, file, sets);
    command.add_flag("--csv", csv, "Print the table as CSV");
    command.add_flag("--start", start,
                     "Say what to expect of an engine started on this table, and on its baseline");
    add_common(command, common);
    command.footer(
        "Examples:\n"
        "  idlefit table truck.yaml\n"
        "  idlefit table truck.yaml --csv > ve.csv\n"
        "  idlefit table truck.yaml --start\n"
        "Exit code: 0 a table to rely on; 1 one not to be relied on (no idle, or not "
        "converged);\n"
        "2 the command line is wrong; 3 the engine file is; 5 a bug.");
  }

  int run() const {
    if (file.empty() && sets.empty())
      return usage_error("table needs an engine file or --set", "table");
    if (csv && common.json) return usage_error("--csv and --json exclude each other", "table");
    const PredictedTable answer = predict_table(read_engine_card(file, sets), baselines_of(common),
                                                coefficients_of(common).posterior, start);
    print(common.json    ? table_json(answer).dump(2) + "\n"
          : csv          ? table_csv(answer)
          : common.quiet ? table_line(answer) + "\n"
                         : table_text(answer, style_of(common), start));
    return answer.reliable() ? kExitAnswer : kExitUnreliable;
  }
};

// --- check

struct CheckCommand {
  CommonOptions common;
  std::string engine, visit;
  std::vector<std::string> sets;
  std::string book;
  bool print_template = false;

  void add_to(CLI::App& command) {
    command.add_option("ENGINE.yaml", engine, "Engine file")->type_name("");
    command.add_option("VISIT.yaml", visit, "What was read on the car (docs/visit-file.md)")
        ->type_name("");
    command.add_option("--set", sets, "Give or override a value of the engine file; repeatable")
        ->type_name("KEY=VALUE")
        ->allow_extra_args(false);
    command.add_flag("--template", print_template, "Print a visit file to fill in");
    command
        .add_option("--record", book, "Add the idle of a healthy engine to the shop's book there")
        ->type_name("FOLDER");
    add_common(command, common);
    command.footer(
        "Examples:\n"
        "  idlefit check --template > visit.yaml\n"
        "  idlefit check truck.yaml visit.yaml\n"
        "  idlefit check truck.yaml visit.yaml --set cam.lobe_separation=108 --json\n"
        "  idlefit check truck.yaml visit.yaml --record book\n"
        "Exit code: 0 an answer, a fault found too; 1 it could not judge (no vacuum or pressure "
        "was\n"
        "read, or no idle to compare with), or did not record what it was asked to; 2 the command\n"
        "line is wrong; 3 a file is; 4 cannot write; 5 a bug.");
  }

  int run() const {
    if (print_template) {
      if (!engine.empty()) return usage_error("--template takes no files", "check");
      print(visit_template());
      return kExitAnswer;
    }
    if (engine.empty() || visit.empty()) {
      return usage_error("check needs an engine file and a visit file; --template prints one",
                         "check");
    }
    if (engine == "-" && visit == "-")
      return usage_error("only one of the two files can be standard input", "check");
    const EngineCard card = read_engine_card(engine, sets);
    const std::string visit_text = read_text_file(visit, YamlLimits{}.bytes, "a visit file (YAML)");
    const BaselineSet baselines = baselines_of(common);
    const CoefficientsFile coefficients = coefficients_of(common);
    const Check answer = check(card, parse_visit(visit_text, text_file_name(visit)), baselines,
                               coefficients.posterior);
    Recorded recorded;
    if (!book.empty()) {
      recorded = record_visit(book, answer, card, visit_text, baselines, coefficients,
                              common.coefficients.value_or("shipped defaults"));
    }
    if (common.json) {
      nlohmann::ordered_json document = check_json(answer);
      if (!book.empty()) {
        document["record"] = {{"file", nullptr}, {"why_not", recorded.why_not}};
        if (!recorded.file.empty()) document["record"]["file"] = recorded.file;
      }
      print(document.dump(2) + "\n");
    } else {
      print(common.quiet ? check_line(answer) + "\n" : check_text(answer, style_of(common)));
    }
    if (!book.empty()) {
      std::fflush(stdout);  // the order in which a person is to read them
      fmt::print(stderr, "{}\n",
                 recorded.file.empty() ? "Not recorded: " + recorded.why_not + "."
                                       : "Recorded: " + recorded.file);
    }
    return answer.map_Pa && (book.empty() || !recorded.file.empty()) ? kExitAnswer
                                                                     : kExitUnreliable;
  }
};

// --- fit

struct FitCommand {
  CommonOptions common;
  std::vector<std::string> files;
  std::string output;
  bool from_table = false;

  void add_to(CLI::App& command) {
    command
        .add_option("POINTS.csv", files,
                    "Measured points, one or more files (docs/points-file.md), or a coefficients "
                    "file whose points are to be fitted again")
        ->type_name("");
    command.add_option("-o,--output", output, "Where to write the coefficients")
        ->type_name("COEFFICIENTS.yaml");
    command.add_flag("--from-table", from_table,
                     "Start from the table of priors, not from the coefficients in use");
    add_common(command, common);
    command.footer(
        "Examples:\n"
        "  idlefit fit points.csv -o shop.yaml\n"
        "  idlefit estimate truck.yaml --coefficients shop.yaml\n"
        "  idlefit fit old.yaml -o new.yaml      (the points that old.yaml was fitted to, again)\n"
        "Starts from what the program's coefficients know, or those of --coefficients. A file "
        "that\n"
        "is in the way is kept beside the new one.\n"
        "Exit code: 0 coefficients to rely on; 1 none were found; 2 the command line is wrong; 3 "
        "the\n"
        "points are; 4 cannot write; 5 a bug.");
  }

  int run() const {
    if (files.empty()) return usage_error("fit needs a file of measured points", "fit");
    if (from_table && common.coefficients)
      return usage_error("--from-table and --coefficients exclude each other", "fit");
    const bool again =
        files.size() == 1 && (files.front().ends_with(".yaml") || files.front().ends_with(".yml"));
    for (const std::string& file : files) {
      if (!again && !output.empty() && same_file(file, output)) {
        return usage_error(
            fmt::format("-o {} would put the coefficients in the place of the points; "
                        "give another name",
                        printable(output)),
            "fit");
      }
    }
    PointsSource source = again ? read_embedded_points(files.front()) : read_points_source(files);
    if (again && source.points.empty()) {
      throw InputError({files.front(), 0, 0}, "", "", "a coefficients file that holds points",
                       "This one was written without any; fit a points file.");
    }
    const CoefficientsFile start = coefficients_of(common);
    const std::string digest = sha256_of(source);
    if (!from_table && !start.source.points.empty() && sha256_of(start.source) == digest) {
      throw InputError(
          {files.front(), 0, 0}, "", "", "points that the coefficients to start from have not seen",
          "They were fitted to these very points: counted twice, they would look surer "
          "than they are. Start from others, or from the table with --from-table.");
    }
    if (!output.empty()) check_writable(output);
    const CoefficientKnowledge prior = from_table ? prior_knowledge() : start.posterior;
    const std::string prior_name = from_table            ? "table"
                                   : common.coefficients ? *common.coefficients
                                                         : "shipped defaults";
    FitReport report = fit_source(std::move(source), prior, prior_name, common.quiet);
    const bool good = report.result.status == FitStatus::ok;
    const bool standard_input =
        std::find(files.begin(), files.end(), std::string("-")) != files.end();
    if (!again && !standard_input && sha256_of(read_points_source(files)) != digest) {
      throw InputError({files.front(), 0, 0}, "", "", "points that stay as they are during the fit",
                       "They were changed under way; nothing was written. Run it again.");
    }
    if (good && !output.empty()) {
      report.kept_as = save_file_keeping(output, write_coefficients(report.file));
      report.saved_as = output;
    }
    if (common.json) {
      print(fit_json(report).dump(2) + "\n");
    } else if (common.quiet) {
      print(fit_line(report) + "\n");
    } else {
      print(fit_text(report, style_of(common)));
    }
    return good ? kExitAnswer : kExitUnreliable;
  }
};

// --- profiles

struct ProfilesCommand {
  CommonOptions common;
  std::string name, folder, output, picture;
  CLI::App *list = nullptr, *show = nullptr, *verify = nullptr, *build = nullptr;

  void add_to(CLI::App& command) {
    list = command.add_subcommand("list", "The profiles of the set and their ranges");
    show = command.add_subcommand("show", "All that one profile holds, with its basis");
    verify = command.add_subcommand("verify", "Whether a set is whole, and what it lacks");
    show->add_option("NAME", name, "A profile of the set")->type_name("");
    verify->add_option("FOLDER", folder, "A folder with baselines.yaml; else the set in use")
        ->type_name("");
    build = command.add_subcommand("build", "Compute the set that comes with the program");
    build->add_option("-o,--output", output, "Where to write baselines.yaml")->type_name("FOLDER");
    build->add_option("--picture", picture, "Where to draw error over number of bands")
        ->type_name("FILE.svg");
    for (CLI::App* part : {list, show, verify, build}) {
      part->allow_extras();
      add_common(*part, common, part != build);
    }
    list->footer("Example:\n  idlefit profiles list --profiles our_profiles");
    show->footer("Example:\n  idlefit profiles show firm");
    verify->footer("Example:\n  idlefit profiles verify our_profiles");
    build->footer("Example:\n  idlefit profiles build -o new_set   (takes minutes)");
    command.footer(
        "Examples:\n"
        "  idlefit profiles list\n"
        "  idlefit profiles show firm\n"
        "  idlefit profiles verify our_profiles\n"
        "  idlefit profiles build -o new_set --picture new_set/bands.svg   (takes minutes)\n"
        "Exit code: 0 done, the set is whole; 1 verify: it lacks values to start from; 2 the\n"
        "command line is wrong; 3 the set is missing or refused; 5 a bug.");
  }

  CLI::App* part() const {
    for (CLI::App* p : {list, show, verify, build}) {
      if (p->parsed()) return p;
    }
    return nullptr;
  }

  int run() const {
    if (part() == nullptr) {
      return usage_error("say what to do with the profiles: list, show, verify or build",
                         "profiles");
    }
    if (!folder.empty() && !common.profiles.empty()) {
      return usage_error("give the folder once, as FOLDER or with --profiles", "profiles verify");
    }
    if (part() == show && name.empty()) {
      return usage_error("show needs the name of a profile", "profiles show");
    }
    if (part() == build) return run_build();
    const BaselineSet set = folder.empty() ? baselines_of(common) : read_baselines(folder);
    const Style style = style_of(common);
    if (part() == list) {
      return answer(profile_list_json(set), profile_list_line(set), profile_list_text(set, style));
    }
    if (part() == verify) {
      answer(profile_check_json(set), profile_check_line(set), profile_check_text(set, style));
      return is_whole(set) ? kExitAnswer : kExitUnreliable;
    }
    const BaselineProfile* const profile = find_profile(set, name);
    if (profile == nullptr) return no_such_profile(set, name, "profiles show");
    return answer(profile_json(*profile), profile_line(*profile), profile_text(*profile, style));
  }

 private:
  int run_build() const {
    const std::string file = output.empty() ? "" : output + "/baselines.yaml";
    for (const std::string& path : {file, picture})
      if (!path.empty()) check_writable(path);
    const BaselineBuild built = build_baselines(coefficients_of(common).posterior);
    if (!file.empty()) save_file_keeping(file, write_baselines(built.set));
    if (!picture.empty()) save_file(picture, build_picture(built));
    return answer(build_json(built), build_line(built), build_text(built, style_of(common)));
  }

  int answer(const nlohmann::ordered_json& document, const std::string& line,
             const std::string& text) const {
    print(common.json ? document.dump(2) + "\n" : common.quiet ? line + "\n" : text);
    return kExitAnswer;
  }
};

// --- record

struct RecordCommand {
  CommonOptions common;
  std::string folder;
  CLI::App *list = nullptr, *points = nullptr;

  void add_to(CLI::App& command) {
    list = command.add_subcommand("list", "Predicted beside measured, over all cars");
    points = command.add_subcommand("points", "The readings as a points file for idlefit fit");
    for (CLI::App* part : {list, points}) {
      part->add_option("FOLDER", folder, "The shop's book (docs/record.md)")->type_name("");
      part->allow_extras();
      add_common(*part, common);
    }
    list->footer("Example:\n  idlefit record list book");
    points->footer("Example:\n  idlefit record points book > points.csv");
    command.footer(
        "Examples:\n"
        "  idlefit check truck.yaml visit.yaml --record book     (adds to the book)\n"
        "  idlefit record list book\n"
        "  idlefit record points book > points.csv\n"
        "  idlefit fit points.csv -o shop.yaml\n"
        "Exit code: 0 done, damaged entries left out and named; 1 no entries; 2 the command line "
        "is\n"
        "wrong; 3 there is no such folder; 5 a bug.");
  }

  int run() const {
    if (!list->parsed() && !points->parsed())
      return usage_error("say what to do with the book: list or points", "record");
    if (folder.empty()) return usage_error("give the folder of the book", "record");
    const Book book = read_book(folder);
    for (const InputError& problem : book.damaged)
      fmt::print(stderr, "Left out: {}\n", problem.what());
    const bool any = !book.entries.empty();
    if (common.json) {
      print((list->parsed() ? book_json(book) : book_points_json(book)).dump(2) + "\n");
    } else if (list->parsed()) {
      print(common.quiet ? book_line(book) + "\n" : book_text(book, style_of(common)));
    } else if (any) {
      print(book_points_csv(book));
    } else {
      fmt::print(stderr, "{}.\n", book_line(book));
    }
    return any ? kExitAnswer : kExitUnreliable;
  }
};

// --- review

struct ReviewCommand {
  CommonOptions common;
  std::string engine, log, columns, visit;
  std::optional<std::string> loaded;
  bool csv = false, points = false, show_template = false;

  void add_to(CLI::App& command) {
    command.add_option("ENGINE.yaml", engine, "Engine file of the car")->type_name("");
    command.add_option("LOG.csv", log, "What its logger wrote; - reads standard input")
        ->type_name("");
    command.add_option("--columns", columns, "Which column of the log is what (docs/review.md)")
        ->type_name("MAP.yaml");
    command
        .add_option("--loaded", loaded,
                    "The baseline that was driven on: what it and the others leave to correct")
        ->type_name("NAME");
    command.add_flag("--csv", csv, "Print the correction map as CSV");
    command.add_flag(
        "--points", points,
        "Print steady, warm idles as points for idlefit fit; with --loaded cruise as well");
    command
        .add_option("--visit", visit,
                    "Where to write a visit file with the idle of the log filled in, for check")
        ->type_name("VISIT.yaml");
    command.add_flag("--template", show_template, "Print a column map to copy");
    add_common(command, common);
    command.footer(
        "Examples:\n"
        "  idlefit review --template > logger.yaml\n"
        "  idlefit review truck.yaml drive.csv --columns logger.yaml\n"
        "  idlefit review truck.yaml drive.csv --columns logger.yaml --loaded firm\n"
        "  idlefit review truck.yaml drive.csv --columns logger.yaml --visit visit.yaml\n"
        "  idlefit review truck.yaml drive.csv --columns logger.yaml --points > points.csv\n"
        "Exit code: 0 an answer to rely on; 1 no row of a warm, running engine, or no idle for a "
        "visit\n"
        "file or points; 2 the command line is wrong; 3 a file is missing or refused; 4 cannot "
        "write; 5 a "
        "bug.");
  }

  int run() const {
    if (show_template) {
      print(log_columns_template());
      return kExitAnswer;
    }
    if (engine.empty() || log.empty() || columns.empty()) {
      return usage_error("review needs an engine file, a log and --columns MAP.yaml", "review");
    }
    if (csv + points + common.json > 1)
      return usage_error("--csv, --points and --json exclude each other", "review");
    for (const std::string& file : {engine, log, columns}) {
      if (visit.empty() || !same_file(file, visit)) continue;
      return usage_error("--visit " + printable(visit) + " would take the place of what is read",
                         "review");
    }
    if (!visit.empty()) check_writable(visit);
    const EngineCard card = read_engine_card(engine, {});
    const BaselineSet baselines = baselines_of(common);
    const BaselineProfile* const driven_on = loaded ? find_profile(baselines, *loaded) : nullptr;
    if (loaded && driven_on == nullptr) return no_such_profile(baselines, *loaded, "review");
    const CoefficientKnowledge knowledge = coefficients_of(common).posterior;
    Review review{log, LogReader(log, read_log_columns(columns)), {}, {}, {}, {}};
    review.drive = review_drive(
        review.log, driven_on != nullptr ? correction_limit(*driven_on) : kCorrectionAuthority);
    review.estimate = estimate(card, baselines, knowledge, {});
    const bool shown = !csv && !points;
    if ((shown && (common.json || !common.quiet || driven_on != nullptr)) || !visit.empty())
      review.idle_check = check_idle(review.drive, card, log, baselines, knowledge);
    if (shown && review.judged())
      review.loaded = review_loaded(review.drive, review.estimate, review.idle_check, baselines,
                                    driven_on, knowledge);
    bool whole = true;
    if (common.json) {
      print(review_json(review).dump(2) + "\n");
    } else if (csv) {
      print(review_csv(review));
    } else if (points) {
      whole = print_points(review, card, driven_on);
    } else if (common.quiet) {
      print(review_line(review) + "\n");
    } else {
      print(review_text(review, style_of(common)));
    }
    if (!visit.empty()) whole = write_visit(review.idle_check) && whole;
    return review.judged() && whole ? kExitAnswer : kExitUnreliable;
  }

 private:
  bool print_points(const Review& review, const EngineCard& card,
                    const BaselineProfile* driven_on) const {
    const DrivePoints found = drive_points(review.drive, card, engine, log, driven_on);
    for (const std::string& why : found.left_out) fmt::print(stderr, "Left out: {}.\n", why);
    if (found.rows.empty()) {
      fmt::print(stderr, "No points: the log has no steady, warm running to fit.\n");
      return false;
    }
    print(points_csv(points_table(found.rows), drive_points_remark(card, log)));
    return true;
  }

  bool write_visit(const IdleCheck& idle) const {
    std::fflush(stdout);  // the order in which a person is to read them
    if (idle.logged.file.empty()) {
      fmt::print(stderr, "No visit file written: {}.\n",
                 idle.idle == nullptr ? "the log has no steady, warm idle" : idle.not_judged);
      return false;
    }
    const std::string kept = save_file_keeping(visit, idle.logged.file);
    fmt::print(stderr, "Written: {}{}\n", visit,
               kept.empty() ? "" : " (what was there is kept as " + kept + ")");
    return true;
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

// "profiles show": a command with those it belongs to, the program's name left out.
std::string full_name(const CLI::App& app) {
  if (app.get_parent() == nullptr) return {};
  const std::string above = full_name(*app.get_parent());
  return above.empty() ? app.get_name() : above + " " + app.get_name();
}

// The command that was given, the last where one belongs to another; the program where none was.
const CLI::App& innermost(const CLI::App& app) {
  const std::vector<CLI::App*> given = app.get_subcommands();
  return given.empty() ? app : innermost(*given.front());
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
  std::string message =
      option ? "unknown option " + shown
      : app.get_name() == "idlefit" || app.get_name() == "profiles" || app.get_name() == "record"
          ? "unknown command " + shown
          : "unexpected argument " + shown;
  message += near.empty() ? "." : fmt::format("; did you mean {}?", near);
  return message;
}

// A command: its place on the command line, and what it does.
struct Entry {
  const CLI::App* app;
  std::function<int()> run;
};

template <class Command>
Entry entry(CLI::App& program, const char* name, const char* what, Command& command) {
  CLI::App* const app = program.add_subcommand(name, what);
  app->allow_extras();
  command.add_to(*app);
  return {app, [&command] { return command.run(); }};
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

  EstimateCommand estimate;
  TableCommand table;
  CheckCommand check;
  FitCommand fit;
  ProfilesCommand profiles;
  RecordCommand record;
  ReviewCommand review;
  const std::vector<Entry> entries{
      entry(app, "estimate",
            "Idle pressure, vacuum and baseline of one engine, and what to ask next", estimate),
      entry(app, "table", "Volumetric efficiency of one engine over speed and pressure", table),
      entry(app, "check",
            "Readings on a car against what its engine should show, and a walk over the install",
            check),
      entry(app, "fit", "Coefficients of the physics from a shop's own measured points", fit),
      entry(app, "profiles", "List, show and verify a set of baseline profiles", profiles),
      entry(app, "record", "The shop's book: predicted beside measured, and points to fit", record),
      entry(app, "review", "What a log of a drive says of the fuel table that was loaded", review)};

  try {
    app.parse(argc, argv);
    const CLI::App& chosen = innermost(app);
    const std::vector<std::string> extra = chosen.remaining();
    if (!extra.empty()) return usage_error(unexpected(chosen, extra.front()), full_name(chosen));
    for (const Entry& e : entries) {
      if (e.app->parsed()) return e.run();
    }
    return usage_error("say what to do, for example: idlefit estimate truck.yaml", "");
  } catch (const CLI::Success& asked) {  // --help, --version
    return app.exit(asked);
  } catch (const CLI::ParseError& error) {
    return usage_error(error.what(), full_name(innermost(app)));
  } catch (const InputError& error) {
    fmt::print(stderr, "{}\n", error.what());
    return kExitInput;
  } catch (const CannotWrite& error) {
    fmt::print(stderr, "{}\n", error.what());
    return kExitCannotWrite;
  }
}

}  // namespace idlefit
