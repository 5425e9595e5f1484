"""Writes force volumes in the layout of docs/volume-format.md: stages, packing, chunking."""
import h5py
import numpy as np

INTEGERS = {"i1": 127, "i2": 32767, "i4": 2147483647}


def detector(deflection_m, sensitivity, zero_v=0.0):
    return deflection_m / sensitivity + zero_v


def quadrants(deflection_m, sensitivity_m, total_v=4.0, lateral=0.1):
    """A, B, C, D in V with (A+B-C-D)/(A+B+C+D) = d/s; a lateral part that must not matter."""
    q = deflection_m / sensitivity_m
    top, bottom = total_v * (1 + q) / 2, total_v * (1 - q) / 2
    return np.stack([top * (0.5 + lateral), top * (0.5 - lateral),
                     bottom * (0.5 - lateral), bottom * (0.5 + lateral)], axis=-1)


def pack(values, kind, headroom=0.9):
    """Values -> (stored, attributes). Integers: the values fill `headroom` of the range around their
    middle. The worst error is half of scale_factor."""
    if kind in ("f4", "f8"):
        return values.astype(kind), {}
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    offset = (low + high) / 2
    scale = (high - low) / 2 / (headroom * INTEGERS[kind])
    stored = np.rint((values - offset) / scale).astype(kind)
    return stored, {"scale_factor": scale, "add_offset": offset}


def segment(signal, z, units="m", stage="deflection", kind="f8", z_units="m", signal_attrs=(), z_attrs=(),
            lengths=None, **extra):
    """Describe one segment. signal: values in `units` (packed here); z: array in z_units, or a pair
    (start, step) as a dict. extra: lateral=(values, units), sample_interval=(value, units)."""
    stored, packing = pack(np.asarray(signal), kind)
    return dict(stored=stored, attrs=dict(units=units, stage=stage, **packing, **dict(signal_attrs)), z=z,
                z_attrs=dict(units=z_units, **dict(z_attrs)), lengths=lengths, extra=extra)


def _store(group, name, data, attrs, storage):
    """storage: 'contiguous', or dict(chunks=..., compression=..., shuffle=...)."""
    options = {} if storage == "contiguous" or np.ndim(data) < 3 else dict(storage)
    if "chunks" in options:
        chunks = tuple(options["chunks"]) + tuple(np.shape(data)[len(options["chunks"]):])
        options["chunks"] = tuple(min(c, n) for c, n in zip(chunks, np.shape(data)))
    dataset = group.create_dataset(name, data=data, **options)
    for key, value in attrs.items():
        dataset.attrs[key] = value


def write(path, segments, calibration=(), shape=None, x=None, y=None, pixel=(1e-7, 1e-7), present=None,
          z_offset=None, thickness=None, substrate=None, title="a volume of the judge", storage="contiguous"):
    """segments: {'approach': segment(...), ...}; calibration: {name: (value, units[, u])};
    x, y: centres in metres, or pixel: sizes in metres."""
    with h5py.File(path, "w") as f:
        f.attrs["layout"] = "cantle-volume-1"
        f.attrs["title"] = title
        for axis, centres, size in (("x", x, pixel[0]), ("y", y, pixel[1])):
            if centres is not None:
                f.create_dataset(f"grid/{axis}", data=np.asarray(centres, float)).attrs["units"] = "m"
            else:
                f.create_dataset(f"grid/pixel_size_{axis}", data=float(size)).attrs["units"] = "m"
        if present is not None:
            f.create_dataset("grid/present", data=np.asarray(present, "u1"))
        if z_offset is not None:
            f.create_dataset("grid/z_offset", data=np.asarray(z_offset, float)).attrs["units"] = "m"
        if thickness is not None:
            f.create_dataset("grid/thickness", data=np.asarray(thickness, float)).attrs["units"] = "m"
        if substrate is not None:
            f.create_dataset("grid/substrate", data=np.asarray(substrate, "u1"))
        for name, part in segments.items():
            group = f.create_group(name)
            _store(group, "signal", part["stored"], part["attrs"], storage)
            if isinstance(part["z"], dict):
                for key in ("start", "step"):
                    attrs = dict(part["z_attrs"]) if key == "start" else {"units": part["z_attrs"]["units"]}
                    _store(group, f"z_{key}", part["z"][key], attrs, "contiguous")
            else:
                _store(group, "z", part["z"], part["z_attrs"], storage)
            if part["lengths"] is not None:
                group.create_dataset("length", data=np.asarray(part["lengths"], "i4"))
            for key, (values, units) in part["extra"].items():
                _store(group, key, values, {"units": units}, storage)
        for name, entry in dict(calibration).items():
            dataset = f.create_dataset(f"calibration/{name}", data=float(entry[0]))
            dataset.attrs["units"] = entry[1]
            if len(entry) > 2:
                dataset.attrs["standard_uncertainty"] = float(entry[2])
    return path
