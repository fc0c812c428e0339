# Checks what each folder may include, and that nothing new lies at the top:
#   cmake -P tests/layers.cmake ROOT         the repository at ROOT
#   cmake -P tests/layers.cmake --self-test  that each kind of breach is seen
# Linking does not enforce this, because all system headers sit in one folder.
cmake_minimum_required(VERSION 3.22)

set(own_model model)
set(own_fit model fit)
set(own_profiles model profiles)
set(own_cli model fit profiles cli)

# Headers that are not of the standard library: in any file, and in .cpp files only.
set(libraries_model "^(Eigen/.*|ceres/jet\\.h)$")
set(libraries_fit "^Eigen/.*$")
set(sources_fit "^ceres/.*$")
set(libraries_profiles "^Eigen/.*$")
set(sources_profiles "^(yaml-cpp/.*|boost/.*|udunits2\\.h|(sys/)?[a-z_0-9]+\\.h)$")
set(libraries_cli "^(fmt/.*|nlohmann/.*|Eigen/.*)$")
set(sources_cli "^(CLI/.*|glog/.*|(sys/)?[a-z_0-9]+\\.h)$")

# Headers of the standard library that a folder has no business with: printing; and for the physics
# files, clocks and random numbers too.
set(printing iostream ostream cstdio print syncstream)
set(banned_model ${printing} istream fstream filesystem chrono ctime random locale csignal)
set(banned_fit ${printing})
set(banned_profiles ${printing})
set(banned_cli "")

# Appends to `breaches` of the caller what `line` of `file` in `folder` breaks.
function(check_include folder file line)
  set(breach "")
  if(line MATCHES "#[ \t]*include[ \t]*\"([^\"]+)\"")
    set(header ${CMAKE_MATCH_1})
    string(REGEX REPLACE "/.*" "" room ${header})
    if(header MATCHES "(^|/)\\.\\.(/|$)" OR NOT header MATCHES "/")
      set(breach "\"${header}\" is not written from the repository's root")
    elseif(NOT room IN_LIST own_${folder})
      set(breach "\"${header}\" is not for ${folder}/")
    endif()
  elseif(line MATCHES "#[ \t]*include[ \t]*<([^>]+)>")
    set(header ${CMAKE_MATCH_1})
    if(header MATCHES "^[a-z_0-9]+$")
      if(header IN_LIST banned_${folder})
        set(breach "<${header}> is not for ${folder}/")
      endif()
    elseif(header MATCHES "${libraries_${folder}}")
    elseif(file MATCHES "\\.cpp$" AND DEFINED sources_${folder}
           AND header MATCHES "${sources_${folder}}")
    else()
      set(breach "<${header}> is not for this file of ${folder}/")
    endif()
  endif()
  if(breach)
    set(breaches "${breaches}  ${file}: ${breach}\n" PARENT_SCOPE)
  endif()
endfunction()

function(check_tree root)
  set(breaches "")
  foreach(folder model fit profiles cli)
    file(GLOB_RECURSE files RELATIVE ${root} ${root}/${folder}/*.h ${root}/${folder}/*.cpp)
    foreach(file ${files})
      file(STRINGS ${root}/${file} lines REGEX "^[ \t]*#[ \t]*include")
      foreach(line ${lines})
        check_include(${folder} ${file} "${line}")
      endforeach()
    endforeach()
  endforeach()
  file(GLOB top RELATIVE ${root} ${root}/*)
  foreach(entry ${top})
    if(NOT entry MATCHES "^(CMakeLists\\.txt|README\\.md|DEVELOPERS\\.md)$" AND
       NOT entry MATCHES "^(model|fit|profiles|cli|tests|docs)$" AND NOT entry MATCHES "^(\\.|build)")
      set(breaches "${breaches}  ${entry} does not belong at the top\n")
    endif()
  endforeach()
  set(breaches "${breaches}" PARENT_SCOPE)
endfunction()

# One line of source in one file must be seen as a breach, or must not.
function(expect file line breach)
  set(breaches "")
  string(REGEX REPLACE "/.*" "" folder ${file})
  check_include(${folder} ${file} "${line}")
  if((breach AND NOT breaches) OR (NOT breach AND breaches))
    message(SEND_ERROR "wrongly judged: ${file}: ${line}")
  endif()
endfunction()

function(self_test)
  foreach(good IN ITEMS
      "model/a.h|#include <Eigen/Core>" "model/a.h|#include <ceres/jet.h>"
      "model/a.h|#include <cmath>" "model/a.h|#include \"model/b.h\""
      "profiles/a.cpp|#include <yaml-cpp/yaml.h>" "profiles/a.cpp|#include \"model/b.h\""
      "fit/a.cpp|#include <ceres/ceres.h>" "cli/a.cpp|#include <CLI/CLI.hpp>"
      "cli/a.cpp|#include \"profiles/b.h\"" "cli/a.cpp|#include <unistd.h>")
    string(REGEX MATCH "^([^|]*)\\|(.*)$" all "${good}")
    expect("${CMAKE_MATCH_1}" "${CMAKE_MATCH_2}" FALSE)
  endforeach()
  foreach(bad IN ITEMS
      "model/a.h|#include <yaml-cpp/yaml.h>" "model/a.cpp|#include <iostream>"
      "model/a.cpp|#  include <chrono>" "model/a.cpp|#include <ceres/ceres.h>"
      "model/a.cpp|#include <unistd.h>" "model/a.h|#include \"profiles/b.h\""
      "model/a.h|#include \"b.h\"" "model/a.h|#include \"../model/b.h\""
      "fit/a.h|#include <ceres/ceres.h>" "fit/a.cpp|#include <nlohmann/json.hpp>"
      "profiles/a.h|#include <yaml-cpp/yaml.h>" "profiles/a.cpp|#include <ceres/ceres.h>"
      "profiles/a.cpp|#include <fmt/format.h>" "profiles/a.cpp|#include \"cli/b.h\""
      "profiles/a.cpp|#include \"fit/b.h\"" "profiles/a.cpp|#include <iostream>"
      "cli/a.cpp|#include <ceres/ceres.h>" "cli/a.h|#include <CLI/CLI.hpp>"
      "cli/a.cpp|#include <yaml-cpp/yaml.h>" "cli/a.cpp|#include \"tests/support/b.h\"")
    string(REGEX MATCH "^([^|]*)\\|(.*)$" all "${bad}")
    expect("${CMAKE_MATCH_1}" "${CMAKE_MATCH_2}" TRUE)
  endforeach()
endfunction()

math(EXPR last "${CMAKE_ARGC} - 1")
set(argument "${CMAKE_ARGV${last}}")
if(argument STREQUAL "--self-test")
  self_test()
else()
  check_tree("${argument}")
  if(breaches)
    message(FATAL_ERROR "What may not be here:\n${breaches}")
  endif()
endif()
