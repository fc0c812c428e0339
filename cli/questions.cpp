#include "cli/questions.h"

#include <fmt/format.h>

#include <array>
#include <charconv>
#include <istream>
#include <optional>
#include <ostream>
#include <utility>
#include <vector>

#include "cli/estimate.h"
#include "cli/exit_code.h"
#include "cli/save_file.h"
#include "profiles/engine_file.h"
#include "profiles/input_error.h"

namespace idlefit {
namespace {

struct KeyQuestion {
  std::string_view key, question;
};

constexpr std::array kKeyQuestions{
    KeyQuestion{"engine.bore", "What are the bore and stroke?"},
    KeyQuestion{"engine.stroke", "What are the bore and stroke?"},
    KeyQuestion{"engine.rod_length", "How long are the connecting rods, centre to centre?"},
    KeyQuestion{"engine.compression_ratio", "What is the compression ratio?"},
    KeyQuestion{"engine.valves.intake_diameter", "How large are the intake valves?"},
    KeyQuestion{"engine.valves.exhaust_diameter", "How large are the exhaust valves?"},
    KeyQuestion{"cam.duration_050.intake",
                "What does the cam card say for intake duration at 0.050 inch?"},
    KeyQuestion{"cam.duration_050.exhaust",
                "What does the cam card say for exhaust duration at 0.050 inch?"},
    KeyQuestion{"cam.duration_seat.intake",
                "What does the cam card say for intake duration at {} inch?"},
    KeyQuestion{"cam.duration_seat.exhaust",
                "What does the cam card say for exhaust duration at {} inch?"},
    KeyQuestion{"cam.seat_height", "At what tappet lift does the card count the seat duration?"},
    KeyQuestion{"cam.valve_lift.intake", "What intake valve lift is on the cam card?"},
    KeyQuestion{"cam.valve_lift.exhaust", "What exhaust valve lift is on the cam card?"},
    KeyQuestion{"cam.rocker_ratio.intake", "What is the rocker ratio?"},
    KeyQuestion{"cam.rocker_ratio.exhaust", "What is the exhaust rocker ratio?"},
    KeyQuestion{"cam.lobe_separation", "What lobe separation is on the cam card?"},
    KeyQuestion{"cam.intake_centerline", "At what intake centreline is the cam installed?"},
    KeyQuestion{"cam.lash.intake", "What intake lash is it set to?"},
    KeyQuestion{"cam.lash.exhaust", "What exhaust lash is it set to?"},
    KeyQuestion{"cam.lifter", "Flat or roller lifters, hydraulic or solid?"},
    KeyQuestion{"idle.speed", "At what speed shall it idle?"},
    KeyQuestion{"idle.spark", "How much timing does it have at idle, all advance included?"},
    KeyQuestion{"idle.mixture", "How rich does it idle?"},
    KeyQuestion{"idle.altitude", "At what altitude does it run?"},
    KeyQuestion{"idle.barometer", "At what altitude does it run?"},
    KeyQuestion{"idle.intake_air", "How warm is the air it breathes?"},
    KeyQuestion{"idle.gear", "Does it idle in gear against an automatic?"},
    KeyQuestion{"idle.converter.stall_speed", "What is the torque converter's stall speed?"},
    KeyQuestion{"idle.converter.stall_torque", "At what torque is the converter's stall rated?"},
    KeyQuestion{"idle.accessories.alternator", "How many amperes does it draw at idle?"},
    KeyQuestion{"idle.accessories.fan", "Is the fan belt-driven, electric, or is there none?"},
    KeyQuestion{"idle.accessories.air_conditioning", "Does the air conditioning run at idle?"},
    KeyQuestion{"idle.accessories.power_steering", "Has it power steering?"},
    KeyQuestion{"known.vacuum", "What vacuum does it pull at idle as it stands now?"},
    KeyQuestion{"known.speed", "At what speed was that vacuum read?"},
    KeyQuestion{"known.spark", "With how much timing was that vacuum read?"},
    KeyQuestion{"known.altitude", "At what altitude was that vacuum read?"},
};

// --- What an answer says
// --------------------------------------------------------------------------

std::vector<std::string> words_of(std::string_view text) {
  std::vector<std::string> words;
  std::string word;
  for (const char c : text) {
    const bool between = c == ' ' || c == '\t' || c == '\r' || c == ',' || c == '/';
    if (!between) word += c;
    if (between && !word.empty()) words.push_back(std::exchange(word, {}));
  }
  if (!word.empty()) words.push_back(word);
  return words;
}

std::string trimmed(std::string_view text) {
  const std::size_t from = text.find_first_not_of(" \t\r");
  if (from == std::string_view::npos) return {};
  return std::string(text.substr(from, text.find_last_not_of(" \t\r") - from + 1));
}

std::optional<double> plain_number(std::string_view text) {
  double value = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc() || end != text.data() + text.size()) return std::nullopt;
  return value;
}

// "217/223" sets both valves; "217" the intake's.
std::string for_valves(std::string_view key, const std::string& answer) {
  const std::vector<std::string> numbers = words_of(answer);
  if (numbers.size() == 2) {
    return fmt::format("{}={{intake: {}, exhaust: {}}}", key, numbers[0], numbers[1]);
  }
  return fmt::format("{}={}", key, answer);
}

// A person at a terminal leaves out the unit where only one is usual.
std::string with_unit(std::string_view key, const std::string& answer, std::string_view unit) {
  return plain_number(answer) ? fmt::format("{}={} {}", key, answer, unit)
                              : fmt::format("{}={}", key, answer);
}

std::string displacement(const std::string& answer) {
  // No engine of the kind has 30 litres, or 30 cubic inches, or a thousand of them.
  const double number = plain_number(answer).value_or(0);
  return with_unit("engine.displacement", answer, number < 30 ? "L" : number < 1000 ? "in3" : "cc");
}

std::string cam(const std::string& answer) {
  const std::vector<std::string> words = words_of(answer);
  return !words.empty() && plain_number(words[0]) ? for_valves("cam.duration_050", answer)
                                                  : "cam.described_as=" + answer;
}

// --- The questions
// --------------------------------------------------------------------------------

// Answers collected so far, as a command line would give them.
class Interview {
 public:
  Interview(std::istream& in, std::ostream& out, const BaselineSet& baselines,
            const CoefficientKnowledge& knowledge, const Style& style)
      : in_(in), out_(out), baselines_(baselines), knowledge_(knowledge), style_(style) {}

  int run();

 private:
  using AsOverride = std::function<std::string(const std::string&)>;

  /// Asks until the answer is empty, the input ends, or the answer is understood; whether it was.
  bool ask(const std::string& question, const AsOverride& as_override);
  bool has(std::string_view key) const;
  /// The overrides given, and for what is missing still, something that is right.
  std::vector<std::string> completed() const;
  bool enough() const { return completed().size() == sets_.size(); }
  std::optional<std::string> read_line(const std::string& prompt);
  void offer_to_save(const EngineCard& card);

  std::istream& in_;
  std::ostream& out_;
  const BaselineSet& baselines_;
  const CoefficientKnowledge& knowledge_;
  const Style& style_;
  std::vector<std::string> sets_;
  std::optional<Estimate> estimate_;
  int asked_ = 0;
};

bool Interview::has(std::string_view key) const {
  for (const std::string& set : sets_) {
    if (set.size() > key.size() && set.compare(0, key.size(), key) == 0 && set[key.size()] == '=') {
      return true;
    }
  }
  return false;
}

std::vector<std::string> Interview::completed() const {
  std::vector<std::string> sets = sets_;
  if (!has("engine.cylinders")) sets.push_back("engine.cylinders=8");
  if (!has("engine.displacement")) sets.push_back("engine.displacement=5 L");
  if (!has("cam.duration_050") && !has("cam.described_as") && !has("known.vacuum")) {
    sets.push_back("cam.described_as=mild");
  }
  return sets;
}

std::optional<std::string> Interview::read_line(const std::string& prompt) {
  out_ << prompt << ' ' << std::flush;
  std::string line;
  if (!std::getline(in_, line)) {
    out_ << '\n';
    return std::nullopt;
  }
  return trimmed(line);
}

bool Interview::ask(const std::string& question, const AsOverride& as_override) {
  ++asked_;
  while (const auto answer = read_line(fmt::format("{}. {}", asked_, question))) {
    if (answer->empty()) return false;
    const std::string set = as_override(*answer);
    const std::string key = set.substr(0, set.find('='));
    sets_.push_back(set);
    try {
      const EngineCard card = read_engine_card("", completed());
      if (enough()) {
        estimate_ = estimate(card, baselines_, knowledge_, {});
        out_ << "   " << style_.bold(estimate_line(*estimate_)) << '\n';
      }
      return true;
    } catch (const InputError& error) {
      // Before the answers are complete, what is made up may clash with what was said.
      if (!enough() && error.field().compare(0, key.size(), key) != 0) return true;
      sets_.pop_back();
      out_ << style_.warning(
          labelled("", 3, fmt::format("Expected {}. {}", error.expected(), error.next_step())));
    }
  }
  return false;
}

void Interview::offer_to_save(const EngineCard& card) {
  const auto name = read_line("Save this as an engine file? A file name, or Enter for no:");
  if (!name || name->empty()) return;
  std::string path = *name;
  while (file_exists(path)) {
    const auto answer = read_line(
        fmt::format("{} exists. \"yes\" to replace it, another name, or Enter for no:", path));
    if (!answer || answer->empty() || *answer == "no" || *answer == "n") return;
    if (*answer == "yes" || *answer == "y") break;
    path = *answer;
  }
  save_file(path, write_engine_card(card));
  out_ << fmt::format("Saved; again with: idlefit estimate {}\n", path);
}

int Interview::run() {
  out_ << "A few questions; Enter where the answer is not known.\n";
  ask("How many cylinders?", [](const std::string& a) { return "engine.cylinders=" + a; });
  ask("How big is the engine? (350 in3, 5.7 L)", displacement);
  ask("What cam? Duration at 0.050 in, intake/exhaust (217/223), or a word: stock, towing, mild,\n"
      "   street, lopey, race:",
      cam);
  if (has("cam.duration_050")) {
    ask("Its advertised (seat) duration, intake/exhaust? (270/276)",
        [](const std::string& a) { return for_valves("cam.duration_seat", a); });
    ask("Its lobe separation? (110)",
        [](const std::string& a) { return "cam.lobe_separation=" + a; });
  } else if (ask("What vacuum does it pull at idle as it stands now? (15 inHg)",
                 [](const std::string& a) { return with_unit("known.vacuum", a, "inHg"); })) {
    ask("At what engine speed was that? (700 rpm)",
        [](const std::string& a) { return with_unit("known.speed", a, "rpm"); });
  }
  ask("At what speed shall it idle? (750 rpm)",
      [](const std::string& a) { return with_unit("idle.speed", a, "rpm"); });
  ask("At what altitude does it run? (1200 ft)",
      [](const std::string& a) { return with_unit("idle.altitude", a, "ft"); });

  if (!estimate_) {
    out_ << labelled("", 0,
                     "Not enough for an estimate: it needs the number of cylinders, the size, and "
                     "either something about the cam or the vacuum at idle. Find one of those and "
                     "ask again.");
    return kExitInput;
  }
  out_ << '\n' << estimate_text(*estimate_, baselines_, style_) << '\n';
  offer_to_save(estimate_->card);
  return estimate_->reliable() ? kExitAnswer : kExitUnreliable;
}

}  // namespace

std::string question_for(std::string_view key, std::string_view seat_height) {
  for (const KeyQuestion& entry : kKeyQuestions) {
    if (entry.key == key) return fmt::format(fmt::runtime(entry.question), seat_height);
  }
  return fmt::format("What is {}?", key);
}

bool can_be_asked(const EngineCard& card, std::string_view key) {
  if (key == "idle.accessories.alternator") return false;
  if (key == "idle.accessories.fan") return !card.fan;
  if (key == "idle.accessories.air_conditioning") return !card.air_conditioning;
  if (key == "idle.accessories.power_steering") return !card.power_steering;
  return true;
}

int ask_and_estimate(std::istream& in, std::ostream& out, const BaselineSet& baselines,
                     const CoefficientKnowledge& knowledge, const Style& style) {
  return Interview(in, out, baselines, knowledge, style).run();
}

}  // namespace idlefit
