# Writes build_facts.h: version, source revision (with -dirty), compiler and flags.
execute_process(COMMAND git -C ${SOURCE} describe --always --dirty --abbrev=12 --exclude=*
  OUTPUT_VARIABLE REVISION OUTPUT_STRIP_TRAILING_WHITESPACE ERROR_QUIET RESULT_VARIABLE RC)
if(NOT RC EQUAL 0)
  set(REVISION "unknown")
endif()
execute_process(COMMAND git -C ${SOURCE} log -1 --format=%cs
  OUTPUT_VARIABLE DATE OUTPUT_STRIP_TRAILING_WHITESPACE ERROR_QUIET RESULT_VARIABLE RC)
if(NOT RC EQUAL 0)
  set(DATE "")
endif()
# Whatever can change a number of a pixel: two programs with the same sources here may share a map file.
file(GLOB SOURCES ${SOURCE}/src/base/units.c ${SOURCE}/src/base/digest.c ${SOURCE}/src/recipe/*.[ch] ${SOURCE}/src/calibration/*.[ch]
     ${SOURCE}/src/contact/*.[ch] ${SOURCE}/src/fit/*.[ch] ${SOURCE}/src/curve/*.[ch] ${SOURCE}/src/volume/*.[ch]
     ${SOURCE}/src/review/breaks.[ch] ${SOURCE}/src/maps/tip_watch.c
     ${SOURCE}/src/maps/maps_write.c ${SOURCE}/src/maps/surface.c ${SOURCE}/src/maps/statistics.c)
set(SUMS "")
foreach(FILE ${SOURCES})
  file(SHA256 ${FILE} SUM)
  string(APPEND SUMS ${SUM})
endforeach()
string(SHA256 NUMERICS "${SUMS}")
string(SUBSTRING ${NUMERICS} 0 16 NUMERICS)
string(REGEX REPLACE " +" " " FLAGS "${FLAGS}")
string(STRIP "${FLAGS}" FLAGS)
set(TEXT "/* Made by build_facts.cmake. */
#define CANTLE_VERSION \"${VERSION}\"
#define CANTLE_REVISION \"${REVISION}\"
#define CANTLE_DATE \"${DATE}\"
#define CANTLE_COMPILER \"${COMPILER}\"
#define CANTLE_FLAGS \"${FLAGS}\"
#define CANTLE_UDUNITS_VERSION \"${UDUNITS}\"
#define CANTLE_NUMERICS \"${NUMERICS}\"
#define CANTLE_BUILD_TYPE \"${TYPE}\"
")
if(EXISTS ${OUT})
  file(READ ${OUT} OLD)
endif()
if(NOT "${OLD}" STREQUAL "${TEXT}")
  file(WRITE ${OUT} "${TEXT}")
endif()
