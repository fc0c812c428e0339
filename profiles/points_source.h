#pragma once

#include <string>
#include <vector>

namespace idlefit {

/// A file's text with the name it was given by.
struct NamedText {
  std::string name, text;
};

/// What a set of fit points was read from, whole, so that it can be read and fitted again: the
/// points files in the order given, and the engine files that they name.
struct PointsSource {
  std::vector<NamedText> points, engines;
};

}  // namespace idlefit
