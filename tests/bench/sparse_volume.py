"""A volume of many gigabytes that takes little room on a disk: almost all pixels are absent, and a block of
pixels is copied from a small volume.

    sparse_volume.py SMALL OUT ROWS COLUMNS contiguous|deflate
"""
import sys

import h5py
import numpy as np


def sparse_dataset(group, like, shape, storage):
    """int16 [ny, nx, n] whose samples were never written."""
    how = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
    if storage == "contiguous":  # room in the file, nothing in it: a hole
        how.set_alloc_time(h5py.h5d.ALLOC_TIME_EARLY)
        how.set_fill_time(h5py.h5d.FILL_TIME_NEVER)
    else:  # chunks that were never written are not there
        how.set_chunk((1, min(shape[1], max(1, 2**20 // (2 * shape[2]))), shape[2]))
        how.set_shuffle()
        how.set_deflate(4)
    made = h5py.h5d.create(group.id, b"signal", h5py.h5t.STD_I16LE, h5py.h5s.create_simple(shape), how)
    out = h5py.Dataset(made)
    out.attrs.update(like.attrs)
    return out


def main():
    small, out, rows, columns, storage = sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]), sys.argv[5]
    with h5py.File(small, "r") as a, h5py.File(out, "w") as b:
        b.attrs["layout"] = a.attrs["layout"]
        b.attrs["title"] = "a large volume with few pixels"
        a.copy("calibration", b)
        for name, size in (("x", columns), ("y", rows)):
            b.create_dataset(f"grid/{name}", data=np.arange(size) * 0.1).attrs["units"] = "um"
        few_rows, few_columns, n = a["approach/signal"].shape
        present = np.zeros((rows, columns), "u1")
        places = [(0, 0), (rows // 2, columns // 3), (rows - few_rows, columns - few_columns)]
        for row, column in places:
            present[row:row + few_rows, column:column + few_columns] = 1
        b["grid/present"] = present
        for segment in ("approach", "retract"):
            group = b.create_group(segment)
            a.copy(f"{segment}/z", group)
            signal = sparse_dataset(group, a[f"{segment}/signal"], (rows, columns, n), storage)
            for row, column in places:
                signal[row:row + few_rows, column:column + few_columns] = a[f"{segment}/signal"][()]


if __name__ == "__main__":
    main()
