#pragma once

#include <span>
#include <string_view>

namespace idlefit {

// The one table of what a shop says for a word or a key that the files have another name for.
// Everything is looked up in lower case, with blanks for hyphens and underscores.

/// What was written for a word of a file.
struct TradeWord {
  std::string_view written;
  std::string_view word;         ///< the file's
  bool same = false;             ///< the trade means exactly that: it may stand for the word
  std::string_view advice = {};  ///< a sentence, where "Did you mean WORD?" will not do
};

/// The entry for what was written where one of `words` is wanted; nullptr where there is none.
const TradeWord* trade_word(std::string_view written, std::span<const std::string_view> words);

/// What to do about a key of the engine file, its last name alone, that is none; empty where the
/// table does not have it.
std::string_view trade_key_advice(std::string_view name);

}  // namespace idlefit
