"""Small sources for the importers, and inputs to start from: sources.py FOLDER
FOLDER/import/ gets what the descriptions of import/ describe; FOLDER/import_*/ the inputs of the targets."""
import io
import pathlib
import shutil
import sys
import tarfile

import h5py
import numpy as np

ROWS, COLUMNS, SAMPLES = 4, 3, 16
here = pathlib.Path(__file__).resolve().parent / "import"
folder = pathlib.Path(sys.argv[1])
for name in ("import", "import_description", "import_text", "import_array", "import_tree"):
    (folder / name).mkdir(parents=True, exist_ok=True)
there = folder / "import"

z = np.arange(SAMPLES) * 2.0  # nm
signal = np.maximum(z - 14, 0)[None, None] * 0.02 + 0.01 * np.arange(ROWS * COLUMNS).reshape(ROWS, COLUMNS, 1)
both = np.stack([signal, signal[..., ::-1]])  # segment, row, column, sample


def grid():
    with h5py.File(there / "foreign-1.h5", "w") as f:
        f.attrs["standard_uncertainty"] = 0.3
        run = f.create_group("run")
        run.attrs.update(origin="10 us", title="40 nm")
        run.create_dataset("channel", data=both.transpose(3, 0, 1, 2).astype("<f4"), chunks=(8, 1, 2, 3),
                           compression="gzip", shuffle=True).attrs["long_name"] = "V"
        run.create_dataset("height", data=z / 1000).attrs["units"] = "um"
        run.create_dataset("twist", data=both.transpose(3, 0, 1, 2)).attrs["units"] = "V"
        x = run.create_dataset("x", data=np.arange(COLUMNS) * 0.5)
        x.attrs.update(units="um", pixel=0.5)
        run["there"] = np.arange(ROWS * COLUMNS).reshape(ROWS, COLUMNS) != 5


def ragged():
    n = ROWS * COLUMNS
    length = SAMPLES - np.arange(n) % 3
    with h5py.File(there / "foreign-2.h5", "w") as f:
        whole = both.reshape(2 * n, SAMPLES)
        f["v"] = np.concatenate([c[:k] for c, k in zip(whole, np.tile(length, 2))]) * 50
        f["h"] = np.concatenate([z[:k] if i < n else z[::-1][:k] for i, k in enumerate(np.tile(length, 2))])
        f["v"].attrs["units"] = f["h"].attrs["units"] = "nm"
        f["first"] = np.concatenate([[0], np.cumsum(length)])
        f["second"] = length.sum() + np.concatenate([[0], np.cumsum(length)[:-1]])
        f["count"] = length
        for name, values in (("x", np.arange(n) % COLUMNS), ("y", np.arange(n) // COLUMNS),
                             ("offset", np.zeros(n)), ("thickness", np.full(n, 2.0))):
            f[f"place/{name}"] = values
            f[f"place/{name}"].attrs["units"] = "um"


def quadrants():
    n = ROWS * COLUMNS
    with h5py.File(there / "foreign-3.h5", "w") as f:
        d = f.create_dataset("list", data=np.stack([signal.reshape(n, SAMPLES) * s * 1000 for s in (1, 1, -1, -1)],
                                                   axis=2).astype("<i2"))
        d.attrs.update(scale_factor=1e-3, add_offset=2.0, _FillValue=np.int16(-32768), valid_max=32000)
        f["length"] = np.full(n, SAMPLES, "u2")
        d = f.create_dataset("start", data=np.zeros(n))
        d.attrs.update(units="nm", valid_min=2e-9)
        f["row"], f["column"] = 1 + np.arange(n) // COLUMNS, 1 + np.arange(n) % COLUMNS
        f["bare"] = (np.arange(n) == 3).astype("u1")
    with h5py.File(there / "foreign-4.h5", "w") as f:
        for letter, sign in zip("abcd", (1, 1, -1, -1)):
            f.create_dataset(f"four/{letter}", data=np.moveaxis(2 + sign * signal, 2, 0).astype("<f4"), chunks=(8, 2, 3))
        f["four/z"] = z


def put(name, data):
    (folder / name).write_bytes(data)


def lines(*columns, separator=" ", segment=0):
    return "".join(separator.join(f"{x:g}" for x in row) + "\n" for row in zip(*columns))


def tar(files, mode):
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode=mode) as archive:
        for name, text in files.items():
            member = tarfile.TarInfo(name)
            member.size = len(text)
            archive.addfile(member, io.BytesIO(text.encode()))
    return out.getvalue()


def text():
    """The first byte chooses the description."""
    a, r = both[:, 1, 1]
    curves = [
        "# k 0.3 N/m\n# rate 10 s\n" + lines(np.r_[z, z[::-1]], np.r_[a, r]),
        "Rate;0,5;Hz\nheight in;signal in;height out;signal out\n"
        + lines(z, a, z[::-1], r, separator=";").replace(".", ","),
        "# x=1.5 um y=3\n" + "".join(lines(h, v, np.full(len(h), i), separator=",")
                                     for i, (h, v) in enumerate(((z, a), (z[-2:], a[-2:]), (z[::-1], r)))),
        "# going in\n" + lines(z, a, a) + "# coming out\n" + lines(z[::-1], r, a),
    ]
    (there / "table.txt").write_text("#file column\nc0-0.txt 0\nc0-1.txt 1\nc1-0.txt 0\ncurve 0\n")
    for i, curve in enumerate(curves):
        (there / f"curve-{i + 1}.txt").write_text(curve)
        put(f"import_text/{i}", bytes([i]) + curve.encode())
        names = ("d/c0-0.txt", "d/c0-1.txt", "c1-0.txt") if i == 3 else (f"c{i}.txt",)
        put(f"import_text/{i}.tar", bytes([i]) + tar({name: curve for name in names}, "w:"))
    pairs = {f"c0-{i}_{way}.txt": head + lines(h, v) for i in range(2)
             for way, head, h, v in (("in", "# k 0.3\n", z, a), ("out", "# rate 10 ms\n", z[::-1], r))}
    put("import_text/4.tar", bytes([4]) + tar(pairs, "w:"))
    put("import/pairs.tar", tar(pairs, "w:"))
    put("import/curves.tar", (folder / "import_text/3.tar").read_bytes()[1:])
    put("import_text/gz", bytes([3]) + tar({"c0-0.txt": curves[3]}, "w:gz"))
    put("import_text/uu", bytes([0]) + b"begin 644 x\n#0V%T\n`\nend\n")


def arrays():
    def npy(a, version=None):
        out = io.BytesIO()
        np.lib.format.write_array(out, np.asanyarray(a, order="A"), version)
        return out.getvalue()

    def npz(save):
        out = io.BytesIO()
        save(out, v=both.reshape(2, ROWS * COLUMNS, SAMPLES).astype("<f4"), z=z, n=np.full(ROWS * COLUMNS, 14))
        return out.getvalue()
    raw = b"header " + (both.transpose(3, 0, 1, 2) * 1000).astype(">i2").tobytes()
    for name, data in (("c", npy(signal)), ("fortran", npy(np.asfortranarray(signal.astype(">f4")))),
                       ("int", npy((signal * 1000).astype("<i2"), (2, 0))), ("plain", npz(np.savez)),
                       ("packed", npz(np.savez_compressed)), ("raw", raw)):
        put(f"import_array/{name}", data)
    for name, source in (("v.npy", "c"), ("v.npz", "packed"), ("v.raw", "raw")):
        shutil.copy(folder / "import_array" / source, there / name)


grid(), ragged(), quadrants(), text(), arrays()
for path in here.glob("*.yaml"):
    shutil.copy(path, there)
    shutil.copy(path, folder / "import_description")
for name, data in (("empty", b""), ("alias", b"a: &a [*a, *a]\n"), ("flow", b"--- {source: {kind: raw}, z: }\n"),
                   ("volume", b"source:\n  kind: volume\n"), ("raw7", b"source:\n  kind: raw\n  type: float32\n")):
    put(f"import_description/{name}", data)
