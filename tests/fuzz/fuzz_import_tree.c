/* The bytes are choices: how an HDF5 file of another layout is changed, then read by its mapping.
 * The first one chooses the file, and with it the mapping. */
#include "fuzz.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct dice dice = {data, data + size}, first = dice;
    unsigned which = dice_byte(&first);
    fuzz_import(fuzz_description("mapping", which), fuzz_tree("foreign", &dice), (unsigned)size);
    return 0;
}
