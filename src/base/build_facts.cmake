# Writes build_facts.h: version, source revision (with -dirty), compiler and flags.
execute_process(COMMAND git -C ${SOURCE} describe --always --dirty --abbrev=12 --exclude=*
  OUTPUT_VARIABLE REVISION OUTPUT_STRIP_TRAILING_WHITESPACE ERROR_QUIET RESULT_VARIABLE RC)
if(NOT RC EQUAL 0)
  set(REVISION "unknown")
endif()
string(REGEX REPLACE " +" " " FLAGS "${FLAGS}")
string(STRIP "${FLAGS}" FLAGS)
set(TEXT "/* Made by build_facts.cmake. */
#define CANTLE_VERSION \"${VERSION}\"
#define CANTLE_REVISION \"${REVISION}\"
#define CANTLE_COMPILER \"${COMPILER}\"
#define CANTLE_FLAGS \"${FLAGS}\"
#define CANTLE_UDUNITS_VERSION \"${UDUNITS}\"
#define CANTLE_BUILD_TYPE \"${TYPE}\"
")
if(EXISTS ${OUT})
  file(READ ${OUT} OLD)
endif()
if(NOT "${OLD}" STREQUAL "${TEXT}")
  file(WRITE ${OUT} "${TEXT}")
endif()
