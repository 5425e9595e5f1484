"""Check a finished map file against the rules of docs/output-format.md.

check(path) raises AssertionError with the rule that is broken.
It reads the file as users do: with h5py, and with xarray through both of its engines.
"""
import glob
import json
import re
import sys
from datetime import datetime

import h5py
import numpy as np
import xarray

STATES = ["pending", "accepted", "doubtful", "rejected", "absent"]
# spelling that UDUNITS reads: prefix and symbol, products, powers
UNIT = re.compile(r"^(1|(?:[a-zA-Z]+-?\d?)(?:[/*. ][a-zA-Z]+-?\d?)*)$")
ISO_TIME = re.compile(r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d$")
DIGEST = re.compile(r"^[0-9a-f]{32}$")


def text(value):
    """A string of the file, attribute or scalar dataset, as str."""
    if isinstance(value, h5py.Dataset):
        value = value[()]
    return value.decode("utf-8") if isinstance(value, bytes) else str(value)


# lists of different things, whose units stand in the list "unit" beside them
MIXED_UNITS = ("entry/uncertainty/value", "entry/uncertainty/standard_uncertainty")


def check_attributes(name, obj):
    """Single values are scalar; strings have fixed length and are UTF-8."""
    for key in obj.attrs:
        if key in ("DIMENSION_LIST", "REFERENCE_LIST", "CLASS", "NAME"):
            continue  # of the HDF5 dimension scales
        attr = obj.attrs.get_id(key)
        assert attr.shape == () or attr.shape[0] > 1, f"{name}@{key}: one value, yet not scalar"
        kind = attr.get_type()
        if isinstance(kind, h5py.h5t.TypeStringID):
            assert not kind.is_variable_str(), f"{name}@{key}: string of variable length"
            assert kind.get_cset() == h5py.h5t.CSET_UTF8, f"{name}@{key}: not UTF-8"


def check_object(name, obj):
    check_attributes(name, obj)
    if isinstance(obj, h5py.Group):
        assert "NX_class" in obj.attrs, f"{name}: no NX_class"
        order = obj.id.get_create_plist().get_link_creation_order()
        assert order & h5py.h5p.CRT_ORDER_TRACKED, f"{name}: order of creation is not kept"
        return
    kind = obj.id.get_type()
    assert kind.get_class() in (h5py.h5t.INTEGER, h5py.h5t.FLOAT, h5py.h5t.STRING), f"{name}: type"
    if isinstance(kind, h5py.h5t.TypeStringID):
        assert not kind.is_variable_str(), f"{name}: string of variable length"
    if name in MIXED_UNITS or (name.startswith("entry/uncertainty/") and name.endswith("/coefficient")):
        assert "units" not in obj.attrs, f"{name}: one unit for different things"
    elif obj.dtype.kind == "f":
        assert UNIT.match(text(obj.attrs["units"])), f"{name}: units {obj.attrs['units']}"
    assert obj.compression in (None, "gzip"), f"{name}: filter that not every reader has"


def check_default_chain(f):
    """root -> entry -> maps -> signal, so that a viewer draws at once."""
    assert text(f.attrs["NX_class"]) == "NXroot" and text(f.attrs["layout"]) == "cantle-maps-1"
    assert text(f.attrs["Conventions"]) == "CF-1.8"
    entry = f[f.attrs["default"]]
    assert text(entry.attrs["NX_class"]) == "NXentry"
    maps = entry[entry.attrs["default"]]
    assert maps.name == "/entry/maps" and text(maps.attrs["NX_class"]) == "NXdata"
    assert [text(a) for a in maps.attrs["axes"]] == ["y", "x"]
    assert maps.attrs["y_indices"] == 0 and maps.attrs["x_indices"] == 1
    signal = maps[maps.attrs["signal"]]
    assert signal.name == "/entry/maps/modulus"
    beside = [text(a) for a in maps.attrs["auxiliary_signals"]]
    shown = {"modulus", *beside}
    assert len(beside) == len(set(beside)) and shown == set(maps) - {"x", "y"}, "auxiliary_signals"
    assert "title" not in maps and "errors" not in maps
    if 1 in signal.shape:
        assert text(signal.attrs["interpretation"]) == "spectrum"
    else:
        assert "interpretation" not in signal.attrs
    return maps


def check_axes(maps):
    for name, dim in (("y", 0), ("x", 1)):
        axis = maps[name]
        assert axis.dtype == np.float64 and axis.ndim == 1
        assert axis.shape[0] == maps["modulus"].shape[dim]
        assert text(axis.attrs["units"]) == "um" and text(axis.attrs["long_name"]) == f"{name} (um)"
        assert text(axis.attrs["standard_name"]) == f"projection_{name}_coordinate"
        assert "axis" not in axis.attrs
        assert (np.diff(axis[()]) > 0).all(), f"{name} does not ascend"
        assert h5py.h5ds.is_scale(axis.id)


def check_plane(maps, name):
    plane = maps[name]
    assert re.fullmatch(r"[a-z0-9_]+", name)
    assert plane.ndim == 2, f"{name}: nothing but planes beside the axes"
    for dim, axis in ((0, "y"), (1, "x")):
        assert [scale for scale in plane.dims[dim].values()] == [maps[axis]], f"{name}: scales"
    assert text(plane.attrs["long_name"])


def check_map(maps, name):
    plane = maps[name]
    unit = text(plane.attrs["units"])
    assert plane.dtype == np.float32 and np.isnan(plane.fillvalue)
    fill = plane.attrs["_FillValue"]
    assert fill.dtype == np.float32 and np.isnan(fill)
    assert text(plane.attrs["long_name"]).endswith(f" ({unit})")
    assert text(plane.attrs["comment"])
    assert not np.isinf(plane[()]).any(), f"{name}: infinity"
    if name.endswith("_errors"):
        value = maps[name[: -len("_errors")]]
        assert unit == text(value.attrs["units"])
        assert not (np.isfinite(plane[()]) & np.isnan(value[()])).any(), f"{name}: error without value"
    else:
        others = text(plane.attrs["ancillary_variables"]).split()
        assert ([f"{name}_errors"] if f"{name}_errors" in maps else []) + ["state", "flags"] == others


def check_words(maps):
    state, flags = maps["state"], maps["flags"]
    assert state.dtype == np.uint8 and flags.dtype == np.uint64
    for plane in (state, flags):
        assert "_FillValue" not in plane.attrs
    assert text(state.attrs["flag_meanings"]).split() == STATES
    assert state.attrs["flag_values"].dtype == np.uint8
    assert list(state.attrs["flag_values"]) == list(range(len(STATES)))
    assert list(state.attrs["valid_range"]) == [0, len(STATES) - 1]
    assert state[()].max() < len(STATES)
    meanings = text(flags.attrs["flag_meanings"]).split()
    severities = text(flags.attrs["flag_severities"]).split()
    masks = flags.attrs["flag_masks"]
    assert masks.dtype == np.uint64 and list(masks) == [1 << i for i in range(len(meanings))]
    assert len(set(meanings)) == len(meanings) == len(severities)
    assert set(severities) <= {"note", "doubt", "reject"}
    assert not (flags[()] & ~np.uint64(sum(int(m) for m in masks))).any(), "a flag without a name"


def check_counts(entry):
    """Counts and statistics agree with the maps they are about."""
    maps, counts = entry["maps"], entry["pixel_counts"]
    state, flags = maps["state"][()], maps["flags"][()]
    assert counts["pixels"][()] == state.size
    for i, name in enumerate(STATES):
        assert counts[f"state_{name}"][()] == (state == i).sum(), name
    for i, name in enumerate(text(maps["flags"].attrs["flag_meanings"]).split()):
        assert counts[f"flag_{name}"][()] == (flags >> np.uint64(i) & 1).sum(), name
    quantile = entry["statistics/quantile"][()]
    kept = (state == 1) | (state == 2)
    for name, numbers in entry["statistics"].items():
        if name == "quantile":
            continue
        values = maps[name][()][kept]
        values = values[np.isfinite(values)].astype(float)
        assert numbers.attrs["pixels"] == values.size, name
        assert text(numbers.attrs["units"]) == text(maps[name].attrs["units"])
        expected = np.quantile(values, quantile) if values.size else np.full(quantile.size, np.nan)
        np.testing.assert_allclose(numbers[()], expected, rtol=1e-6, atol=1e-300, err_msg=name)


def check_further(entry):
    """Maps with a further axis: a group and a table of statistics for each axis."""
    state = entry["maps/state"][()]
    kept = (state == 1) | (state == 2)
    for group in [entry[name] for name in entry if name.startswith("maps_by_")]:
        axis = group.name.split("maps_by_")[1]
        assert text(group.attrs["NX_class"]) == "NXdata"
        assert [text(a) for a in group.attrs["axes"]] == ["y", "x", axis]
        assert [group.attrs[f"{a}_indices"] for a in ("y", "x", axis)] == [0, 1, 2]
        names = set(group) - {"y", "x", axis}
        beside = group.attrs.get("auxiliary_signals", [])
        beside = [beside] if isinstance(beside, (str, bytes)) else list(beside)
        assert {text(group.attrs["signal"]), *(text(b) for b in beside)} == names, "signals"
        assert text(group[axis].attrs["units"]) and h5py.h5ds.is_scale(group[axis].id)
        for a in ("y", "x"):
            assert (group[a][()] == entry["maps"][a][()]).all()
        table = entry[f"statistics_by_{axis}"]
        for name in sorted(names):
            stack = group[name]
            assert stack.ndim == 3 and stack.dtype == np.float32 and np.isnan(stack.fillvalue)
            for dim, a in enumerate(("y", "x", axis)):
                assert [scale for scale in stack.dims[dim].values()] == [group[a]], f"{name}: scales"
            assert text(stack.attrs["long_name"]).endswith(f" ({text(stack.attrs['units'])})")
            if name.endswith("_errors"):
                value = group[name[: -len("_errors")]]
                assert not (np.isfinite(stack[()]) & np.isnan(value[()])).any(), name
                continue
            for layer, numbers in enumerate(table[name][()]):
                values = stack[()][..., layer][kept]
                values = values[np.isfinite(values)].astype(float)
                assert np.atleast_1d(table[name].attrs["pixels"])[layer] == values.size
                if values.size:
                    expected = np.quantile(values, table["quantile"][()])
                    np.testing.assert_allclose(numbers, expected, rtol=1e-6, err_msg=name)


def check_provenance(entry):
    for sequence, name in ((1, "process_1_calibration"), (2, "process_2_contact_fit")):
        group = entry[name]
        assert text(group.attrs["NX_class"]) == "NXprocess" and group["sequence_index"][()] == sequence
        assert text(group["program"]) == "cantle" and text(group["version"]) and text(group["date"])
    fit, run = entry["process_2_contact_fit"], entry["run"]
    for name in ("model", "model_title", "model_formula", "model_source", "model_limits", "segment",
                 "fit_space"):
        assert text(fit[name]), name
    assert "data" in fit["recipe"]
    resolved = json.loads(text(fit["recipe_resolved/data"]))
    assert resolved["output"]["modulus_unit"] and "spring_constant" in resolved["values_used"]
    for name in ("version", "source_revision", "compiler", "compiler_flags", "build_type", "mpi_library",
                 "hdf5_version", "gsl_version", "udunits_version", "command_line", "working_directory",
                 "host", "input_path", "input_absolute_path", "input_digest_method"):
        assert text(run[name]), name
    assert run["ranks"][()] >= 1 and run["input_bytes"][()] > 0
    assert DIGEST.match(text(run["input_digest"]))
    for time in (entry["start_time"], entry["end_time"], run["start_time"], run["end_time"],
                 run["input_modified"]):
        assert ISO_TIME.match(text(time)), time.name
    start, end = (datetime.fromisoformat(text(entry[name])) for name in ("start_time", "end_time"))
    assert start <= end
    assert "tile_digest" not in run


def check_xarray(path):
    for engine in ("h5netcdf", "netcdf4"):
        with xarray.open_dataset(path, group="entry/maps", engine=engine) as maps:
            assert maps["modulus"].dims == ("y", "x"), engine
            assert set(maps.coords) == {"x", "y"}, engine
            assert maps["state"].dtype == np.uint8 and maps["flags"].dtype == np.uint64, engine
            assert maps["modulus"].attrs["units"] and maps["x"].attrs["units"] == "um", engine
            maps["modulus"].sel(x=maps.x[0], y=maps.y[0]).load()
        with xarray.open_dataset(path, group="entry/statistics", engine=engine) as table:
            assert table["modulus"].dims == ("quantile",), engine


def check(path):
    """Assert every rule that a program can see. Returns nothing."""
    path = str(path)
    left = [rest for rest in glob.glob(glob.escape(path) + ".*") if rest.endswith(".part") or "ing-" in rest]
    assert not left, f"{left} left behind"
    with h5py.File(path, "r") as f:
        check_attributes("/", f)
        f.visititems(lambda name, obj: check_object(name, obj))
        maps = check_default_chain(f)
        check_axes(maps)
        for name in set(maps) - {"x", "y"}:
            check_plane(maps, name)
            if name not in ("state", "flags"):
                check_map(maps, name)
        check_words(maps)
        check_counts(f["entry"])
        check_further(f["entry"])
        further = [name for name in f["entry"] if name.startswith("maps_by_")]
        check_provenance(f["entry"])
        assert list(maps)[:4] == ["y", "x", "modulus", "modulus_errors"], "order of creation"
    check_xarray(path)
    for name in further:
        for engine in ("h5netcdf", "netcdf4"):
            with xarray.open_dataset(path, group=f"entry/{name}", engine=engine) as stack:
                axis = name.split("maps_by_")[1]
                assert all(v.dims == ("y", "x", axis) for v in stack.values()), engine


if __name__ == "__main__":
    for argument in sys.argv[1:]:
        check(argument)
