#include "profiles/text_file.h"

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <system_error>

#include "profiles/input_error.h"
#include "profiles/units.h"

namespace idlefit {

std::string text_file_name(const std::string& path) {
  return path == "-" ? "standard input" : path;
}

std::string read_text_file(const std::string& path, std::size_t bytes_max, std::string_view kind) {
  const bool standard_input = path == "-";
  const std::string name = text_file_name(path);
  const std::string file = standard_input ? "/dev/stdin" : path;
  std::error_code ignored;
  const auto status = std::filesystem::status(file, ignored);
  if (!standard_input && !std::filesystem::exists(status)) {
    throw InputError({name, 0, 0}, "", "", "an existing file", "Check the name and the folder.");
  }
  if (std::filesystem::is_directory(status)) {
    throw InputError({name, 0, 0}, "", "", "a file, but this is a directory",
                     "Name " + std::string(kind) + " in it.");
  }
  std::ifstream stream(file, std::ios::binary);
  if (!stream) {
    throw InputError({name, 0, 0}, "", "", "a file that can be read",
                     "Check who may read it (its permissions).");
  }
  // In pieces, so that a small file needs no large buffer; one byte more than allowed tells.
  std::string text;
  constexpr std::size_t kPiece = 1'000'000;
  while (stream && text.size() <= bytes_max) {
    const std::size_t before = text.size();
    text.resize(before + std::min(kPiece, bytes_max + 1 - before));
    stream.read(text.data() + before, static_cast<std::streamsize>(text.size() - before));
    text.resize(before + static_cast<std::size_t>(stream.gcount()));
  }
  if (stream.bad()) {
    throw InputError({name, 0, 0}, "", "", "a file that can be read to its end",
                     "Copy the file and try again.");
  }
  check_text_size(text.size(), bytes_max, name);
  return text;
}

void check_text_size(std::size_t bytes, std::size_t bytes_max, const std::string& name) {
  if (bytes <= bytes_max) return;
  throw InputError(
      {name, 0, 0}, "", "",
      "a file of at most " + number_text(static_cast<double>(bytes_max) / 1e6, 3) + " MB",
      "Is this the file you meant?");
}

std::string_view without_byte_order_mark(std::string_view text) {
  constexpr std::string_view kMark = "\xEF\xBB\xBF";
  if (text.starts_with(kMark)) text.remove_prefix(kMark.size());
  return text;
}

std::optional<NoText> find_no_text(std::string_view text) {
  NoText at;
  for (std::size_t i = 0; i < text.size();) {
    const Utf8Character character = utf8_character(text, i);
    if (!is_text(character)) {
      at.byte = i;
      at.length = character.length;
      return at;
    }
    i += character.length;
    if (character.code == '\n') {
      ++at.line;
      at.line_start = i;
    }
  }
  return std::nullopt;
}

std::string no_text_advice(std::string_view text, const NoText& at, std::string_view remedy) {
  const auto control = [](char c) {
    return (c >= 0 && c < ' ' && c != '\t' && c != '\n' && c != '\r') || c == '\x7F';
  };
  // Each plain letter of UTF-16 is a byte of its own beside a zero.
  const auto plain = [](char c) { return c >= ' ' && c < '\x7F'; };
  const bool zero_beside_letter = text.size() > 1 && ((text[0] == '\0' && plain(text[1])) ||
                                                      (plain(text[0]) && text[1] == '\0'));
  const bool utf_16 =
      text.starts_with("\xFF\xFE") || text.starts_with("\xFE\xFF") || zero_beside_letter;
  const bool other_letters = static_cast<unsigned char>(text[at.byte]) >= 0x80 && at.length == 1 &&
                             std::none_of(text.begin(), text.end(), control);
  std::string looks_like = "a binary or damaged file";
  if (utf_16) {
    looks_like = "text in another encoding, UTF-16";
  } else if (other_letters) {
    looks_like = "text in another encoding, such as Latin-1 or Windows-1252";
  }
  return "This looks like " + looks_like + ": " + std::string(remedy) + ".";
}

int column_of(std::string_view line, std::size_t byte) {
  int column = 1;
  for (std::size_t i = 0; i < std::min(byte, line.size());) {
    i += utf8_character(line, i).length;
    ++column;
  }
  return column;
}

std::string line_excerpt(std::string_view line, int line_number, int column) {
  constexpr int kBefore = 50;   // characters shown before the column
  constexpr int kLongest = 90;  // columns shown in all
  // Each character is escaped by itself so that the mark stands under the right one.
  std::string shown, mark;
  int position = 1;
  const int first = std::max(1, column - kBefore);
  if (first > 1) {
    shown = "...";
    mark = "   ";
  }
  int width = 0;
  for (std::size_t i = 0; i < line.size(); ++position) {
    const std::size_t length = utf8_character(line, i).length;
    if (position >= first) {
      const std::string_view raw = line.substr(i, length);
      const std::string piece = raw == "\t" ? " " : printable(raw, 12);
      const std::size_t piece_width = piece == raw ? 1 : piece.size();
      width += static_cast<int>(piece_width);
      // Escapes before the column may use up the room: the marked character is always shown.
      if (width > kLongest && position > column) {
        shown += "...";
        break;
      }
      shown += piece;
      if (position < column) mark.append(piece_width, ' ');
    }
    i += length;
  }
  const std::string number = line_number > 0 ? std::to_string(line_number) : "";
  const std::string margin(std::max<std::size_t>(5, number.size()), ' ');
  return margin.substr(number.size()) + number + " | " + shown + "\n" + margin + " | " + mark + "^";
}

}  // namespace idlefit
