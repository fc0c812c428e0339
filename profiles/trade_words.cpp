#include "profiles/trade_words.h"

#include <algorithm>
#include <array>

namespace idlefit {
namespace {

// What names less than the file's word, or more, is asked about and not taken for it: a towing cam
// is not all that a cam for a heavy vehicle can be.
constexpr std::string_view kSideValves =
    "Engines with side valves are not modelled: the valves must be in the head.";
constexpr std::array kWords{
    TradeWord{"petrol", "gasoline", true},
    TradeWord{"park", "neutral", true},
    TradeWord{"gas", "gasoline"},
    TradeWord{"supercharged", "boosted"},
    TradeWord{"turbocharged", "boosted"},
    TradeWord{"turbo", "boosted"},
    TradeWord{"blown", "boosted"},
    TradeWord{"naturally aspirated", "natural"},
    TradeWord{"rv", "towing"},
    TradeWord{"ohv", "pushrod"},
    TradeWord{"ohc", "overhead"},
    TradeWord{"sohc", "overhead"},
    TradeWord{"dohc", "overhead"},
    TradeWord{"flathead", "pushrod", false, kSideValves},
    TradeWord{"side valve", "pushrod", false, kSideValves},
    TradeWord{"side valves", "pushrod", false, kSideValves},
};

struct KeyAdvice {
  std::string_view name, advice;
};
constexpr std::string_view kBoosted = "Did you mean engine.induction: boosted?";
constexpr std::array kKeys{
    KeyAdvice{"camshaft", "Did you mean cam?"},
    KeyAdvice{"map", "Give known.vacuum: the barometer less the manifold pressure."},
    KeyAdvice{"boost", kBoosted},
    KeyAdvice{"supercharger", kBoosted},
    KeyAdvice{"turbo", kBoosted},
    KeyAdvice{"turbocharger", kBoosted},
};

}  // namespace

const TradeWord* trade_word(std::string_view written, std::span<const std::string_view> words) {
  const auto found = std::find_if(kWords.begin(), kWords.end(), [&](const TradeWord& entry) {
    return entry.written == written &&
           std::find(words.begin(), words.end(), entry.word) != words.end();
  });
  return found == kWords.end() ? nullptr : &*found;
}

std::string_view trade_key_advice(std::string_view name) {
  const auto found = std::find_if(kKeys.begin(), kKeys.end(),
                                  [&](const KeyAdvice& entry) { return entry.name == name; });
  return found == kKeys.end() ? std::string_view() : found->advice;
}

}  // namespace idlefit
