/* The recipe reader. */
#include "fuzz.h"
#include "recipe/recipe.h"

#include <jansson.h>
#include <math.h>
#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct report rep = {""};
    struct recipe r;
    enum status st = recipe_parse(&r, (const char *)data, size, "fuzz.yaml", &rep);
    fuzz_check_status(st, &rep);
    if (st == ST_INPUT) fuzz_wrong("text in memory that cannot be read");
    if (st != ST_OK) return 0;
    for (int i = 0; i < KEY_COUNT; i++)
        if (r.v[i].set && isinf(r.v[i].si)) fuzz_wrong("a value that is infinite");
    char *json = recipe_json(&r);
    json_t *value = json ? json_loads(json, 0, NULL) : NULL;
    if (!value) fuzz_wrong("a recipe that cannot be put into JSON");
    json_decref(value);
    free(json);
    recipe_free(&r);
    return 0;
}
