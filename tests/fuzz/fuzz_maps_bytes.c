/* The bytes are the file. */
#include "fuzz.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    fuzz_read_maps(fuzz_file(data, size), (unsigned)size);
    return 0;
}
