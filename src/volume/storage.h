/** What a dataset of a file that anyone may have made is kept in, looked at before it is read. */
#ifndef CANTLE_VOLUME_STORAGE_H
#define CANTLE_VOLUME_STORAGE_H

#include "base/status.h"

#include <hdf5.h>
#include <stdbool.h>

/** Refuse a dataset that keeps its data in another file (external storage, virtual), whose chunks
 *  pass one filter twice (a few bytes would unpack to any size) or a filter of the library other
 *  than deflate, shuffle and fletcher32 (nbit and scaleoffset of HDF5 1.10.8 trust their parameters
 *  and can be made to crash), or that has far more chunks than a
 *  file of this size can hold (most are not there, and looking for them takes for ever). Opens no
 *  other file. Errors: ST_INPUT, without the dataset's name. */
enum status storage_check(hid_t set, struct report *rep) MUST_CHECK;

/** Refuse also what claims more bytes than the file can hold, packed as tightly as deflate can: for
 *  a dataset that is read whole. Errors: ST_INPUT, without the name. */
enum status storage_check_whole(hid_t set, struct report *rep) MUST_CHECK;

/** Access list for datasets, and for looking up links, that never opens another file: an external
 * link fails and sets *left_file. Close it with H5Pclose. Below 0 on failure. */
hid_t storage_access(bool *left_file);

#endif
