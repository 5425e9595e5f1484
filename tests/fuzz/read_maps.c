/* Everything that the program does with a map file that it did not write itself. */
#include "fuzz.h"

#include "command/command.h"
#include "command/describe.h"
#include "maps/maps.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* All of a figure but gnuplot itself: the script is written, then there is no program of the name.
 */
static void draw(const char *path)
{
    struct world world = {0, 1};
    struct report rep = {""};
    char name[] = "draw", file[1024], out[1040], option[] = "-o", map[] = "modulus";
    char *words[] = {name, file, map, option, out, NULL};
    snprintf(file, sizeof file, "%s", path);
    snprintf(out, sizeof out, "%s.png", file);
    setenv("PATH", "/nonexistent", 1);
    fuzz_catch_begin();
    enum status st = command_draw(5, words, &world, &rep);
    fuzz_catch_end(false);
    fuzz_check_status(st, &rep);
    if (st == ST_OK) fuzz_wrong("a figure without gnuplot");
}

static void describe(const char *path, bool json)
{
    struct report rep = {""};
    fuzz_catch_begin();
    enum status st = describe_map(path, json, &rep);
    fuzz_catch_end(json && st == ST_OK);
    fuzz_check_status(st, &rep);
    if (st == ST_MEMORY) fuzz_wrong(rep.text);
}

void fuzz_read_maps(const char *path, unsigned way)
{
    (void)maps_is_one(path);
    describe(path, way % 2 != 0);
    if (way % 32 == 0) draw(path);
    fuzz_check_closed();
}
