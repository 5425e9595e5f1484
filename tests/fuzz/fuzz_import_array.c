/* The bytes are the file; what they begin with tells whether it is read as a NumPy array, as an
 * .npz or as plain numbers. */
#include "fuzz.h"

#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    bool zip = size > 1 && memcmp(data, "PK", 2) == 0;
    bool npy = size > 1 && memcmp(data, "\x93N", 2) == 0;
    fuzz_import(fuzz_description(zip   ? "npz"
                                 : npy ? "npy"
                                       : "raw",
                                 0),
                fuzz_file(data, size), (unsigned)size);
    return 0;
}
