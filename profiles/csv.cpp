#include "profiles/csv.h"

#include <algorithm>
#include <utility>

#include "profiles/text_file.h"

namespace idlefit {
namespace {

bool is_blank(char c) { return c == ' ' || c == '\t'; }

}  // namespace

CsvReader::CsvReader(const NamedText& file) : file_(file) {
  const std::string_view text = file_.text;
  const auto fail = [&](const NoText& at, std::string expected, std::string next_step) {
    line_ = text.substr(at.line_start);
    line_ = line_.substr(0, line_.find('\n'));
    line_number_ = at.line;
    throw error(at.byte - at.line_start, "", std::string(text.substr(at.byte, at.length)),
                std::move(expected), std::move(next_step));
  };
  if (const auto no_text = find_no_text(text)) {
    fail(*no_text, "text in UTF-8 without control characters",
         no_text_advice(text, *no_text, "save the table as CSV in UTF-8"));
  }
  if (const std::size_t end = text.find('\r'); end != std::string_view::npos) {
    const std::string_view before = text.substr(0, end);
    fail({end, 1, 1 + static_cast<int>(std::count(before.begin(), before.end(), '\n')),
          before.rfind('\n') + 1},
         "line ends of one kind", "Save the table as CSV again.");
  }
}

bool CsvReader::next() {
  const std::string_view text = file_.text;
  while (next_byte_ < text.size()) {
    const std::size_t end = std::min(text.find('\n', next_byte_), text.size());
    line_ = text.substr(next_byte_, end - next_byte_);
    next_byte_ = end + 1;
    ++line_number_;
    if (!std::all_of(line_.begin(), line_.end(), is_blank)) return true;
  }
  return false;
}

std::span<const CsvCell> CsvReader::split() {
  const auto skip_blanks = [&](std::size_t i) {
    while (i < line_.size() && is_blank(line_[i])) ++i;
    return i;
  };
  count_ = 0;
  for (std::size_t i = 0;; ++i) {  // at the start of a cell; ++ passes the comma
    i = skip_blanks(i);
    if (count_ == cells_.size()) cells_.emplace_back();
    CsvCell& cell = cells_[count_++];
    cell.text.clear();
    cell.byte = i;
    if (i < line_.size() && line_[i] == '"') {
      for (++i;; ++i) {
        if (i >= line_.size()) {
          throw error(cell.byte, "", std::string(line_.substr(cell.byte)),
                      "a closing quote in the same line",
                      "Close the quotes; a cell may not hold a line break.");
        }
        if (line_[i] == '"') {
          if (i + 1 >= line_.size() || line_[i + 1] != '"') break;
          ++i;
        }
        cell.text += line_[i];
      }
      i = skip_blanks(i + 1);
      if (i < line_.size() && line_[i] != ',') {
        throw error(i, "", std::string(line_.substr(i)), "a comma behind the closing quote",
                    "Write a quote that belongs to the text twice.");
      }
    } else {
      const std::size_t end = std::min(line_.find(',', i), line_.size());
      const std::string_view raw = line_.substr(i, end - i);
      if (const std::size_t quote = raw.find('"'); quote != std::string_view::npos) {
        throw error(
            i + quote, "", std::string(raw), "no quote inside a cell without quotes",
            "Write inches as \"in\", or put the whole cell into quotes and each quote in it "
            "twice.");
      }
      cell.text = raw;
      i = end;
    }
    // In quotes too: nobody means them.
    cell.text.erase(std::find_if_not(cell.text.rbegin(), cell.text.rend(), is_blank).base(),
                    cell.text.end());
    cell.text.erase(cell.text.begin(),
                    std::find_if_not(cell.text.begin(), cell.text.end(), is_blank));
    if (i >= line_.size()) break;
  }
  return {cells_.data(), count_};
}

InputError CsvReader::error(std::size_t byte, std::string field, std::string value,
                            std::string expected, std::string next_step) const {
  const int column = column_of(line_, byte);
  return InputError({file_.name, line_number_, column}, std::move(field), std::move(value),
                    std::move(expected), std::move(next_step),
                    line_excerpt(line_, line_number_, column));
}

}  // namespace idlefit
