/* The first byte chooses the description, the others are the file: text, or a tar. */
#include "fuzz.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size == 0) return 0;
    fuzz_import(fuzz_description("text", data[0]), fuzz_file(data + 1, size - 1), (unsigned)size);
    return 0;
}
