/* The bytes are choices: how a good file is changed through HDF5. */
#include "fuzz.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct dice dice = {data, data + size};
    fuzz_read_maps(fuzz_tree("maps", &dice), (unsigned)size);
    return 0;
}
