#pragma once

#include <ctime>
#include <string>

namespace idlefit {

/// The date, UTC, as YYYY-MM-DD.
inline std::string today() {
  const std::time_t now = std::time(nullptr);
  std::tm date{};
  gmtime_r(&now, &date);
  char text[16];
  std::strftime(text, sizeof text, "%Y-%m-%d", &date);
  return text;
}

}  // namespace idlefit
