/* Unit texts and quantities. The first byte chooses the dimension. */
#include "base/units.h"
#include "fuzz.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char *const dimensions[] = {"m",  "N/m", "m/V", "rad", "1",
                                         "Pa", "V",   "N",   "s",   "J/m2"};

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct report rep = {""};
    struct unit_scale scale = {NAN, NAN};
    double value = NAN, factor = NAN;
    char shown[64];
    if (size == 0) return 0;
    const char *si = dimensions[data[0] % (sizeof dimensions / sizeof *dimensions)];
    char *text = calloc(size, 1);
    if (!text) return 0;
    memcpy(text, data + 1, size - 1);
    enum status st = units_scale(text, si, &scale, &rep);
    fuzz_check_status(st, &rep);
    if (st == ST_OK && !(isfinite(scale.factor) && isfinite(scale.offset) && scale.factor != 0))
        fuzz_wrong("a unit with a scale that is no number");
    st = units_from_si(si, text, &factor, &rep);
    fuzz_check_status(st, &rep);
    if (st == ST_OK && !(isfinite(factor) && factor != 0)) fuzz_wrong("a factor that is no number");
    st = units_quantity(text, si, &value, &rep);
    fuzz_check_status(st, &rep);
    if (st == ST_OK && !isfinite(value)) fuzz_wrong("a quantity that is not finite");
    if (st == ST_OK) units_show(value, si, 4, shown, sizeof shown);
    free(text);
    return 0;
}
