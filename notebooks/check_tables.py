"""The tables and files that the tool writes, opened by others: check_tables.py

Parquet: pandas, polars, DuckDB and pyarrow find the same rows, columns and values; nothing is NaN (what is missing is null);
every number with a unit names it, and the file tells what each column is. JSON: the schemas that the tool prints fit what it writes. Each check is shown to be able
to fail, on a copy with one thing spoilt.
"""

import json
import pathlib
import re
import subprocess
import sys
import tempfile
import tomllib

import duckdb
import pandas
import polars
import pyarrow
import pyarrow.compute
import pyarrow.parquet

import tool

# A unit stands at the end of a name, or before the ends of an interval.
UNIT = re.compile(r"_(s|kn|mm)(_lo|_hi)?$")
# Numbers that have none: a count of rows; the place of a diameter within the stopper's span, 0 to 1.
BARE = {"rows", "position"}

READERS = {
    "pandas": lambda path: pyarrow.Table.from_pandas(pandas.read_parquet(path), preserve_index=False),
    "polars": lambda path: polars.read_parquet(path).to_arrow(),
    "DuckDB": lambda path: duckdb.sql(f"SELECT * FROM '{path}'").to_arrow_table(),
    "pyarrow": lambda path: pyarrow.parquet.read_table(path),
}


def plain(table):
    """The same table with one type for every kind of text, and without the readers' own notes."""
    kinds = [(f.name, f.type if pyarrow.types.is_primitive(f.type) else pyarrow.string()) for f in table.schema]
    return table.cast(pyarrow.schema(kinds)).combine_chunks()


def faults(path):
    """What is wrong with a table; nothing, if it is as promised."""
    tables = {name: plain(read(path)) for name, read in READERS.items()}
    expected = tables["pyarrow"]
    found = [f"{name} reads another table" for name, table in tables.items() if not table.equals(expected)]
    # What the table says of its own columns, each with unit and meaning.
    told = json.loads((pyarrow.parquet.read_metadata(path).metadata or {}).get(b"columns", b"[]"))
    if [column["name"] for column in told] != expected.schema.names or not all(column["meaning"] for column in told):
        found.append("the table does not tell what its columns are")
    for field in expected.schema:
        if field.type == pyarrow.string():
            continue
        if field.name not in BARE and not UNIT.search(field.name):
            found.append(f"column `{field.name}` names no unit")
        if pyarrow.compute.any(pyarrow.compute.is_nan(expected[field.name].cast("double"))).as_py():
            found.append(f"column `{field.name}` holds NaN")
    print(f"{path.parent.name}/{path.name}: {expected.num_rows} rows, {expected.num_columns} columns, {len(found)} faults")
    return found


def spoilt_table(path, change):
    """A copy of the table with one column changed."""
    copy = path.with_name(f"spoilt-{path.name}")
    polars.read_parquet(path).with_columns(change).write_parquet(copy)
    return copy


def refusals(schema, path):
    """What check-jsonschema says against a file; empty if it fits."""
    command = [sys.executable, "-m", "check_jsonschema", "--schemafile", schema, path]
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode not in (0, 1):
        sys.exit(f"check-jsonschema could not work: {done.stdout}{done.stderr}")
    print(f"{path.parent.name}/{path.name}: {'fits' if done.returncode == 0 else 'does not fit'} {schema.name}")
    return done.stdout if done.returncode else ""


def check_document(schema, path, spoil):
    """The file fits; without a part, or with a text where a number belongs, it does not."""
    refused = refusals(schema, path)
    assert not refused, refused
    for name, change in spoil.items():
        document = json.loads(path.read_text())
        change(document)
        copy = path.with_name(f"spoilt-{path.name}")
        copy.write_text(json.dumps(document))
        assert name in refusals(schema, copy), f"{schema.name} does not refuse a spoilt `{name}`"


def main(scratch):
    pulls = ["halyard", "core-slip", "travel-only"]
    tool.bitterend("analyse", *(tool.ROOT / "fixtures" / pull for pull in pulls), "--out", scratch / "results")
    tool.bitterend("compare", tool.ROOT / "fixtures" / "benchmark", "--out", scratch / "comparison")
    # A log above 200,000 rows, whose every row is written by another path, in many row groups.
    subprocess.run([tool.BUILT / "examples" / "long_log", scratch / "long", "250000", "5"], check=True, capture_output=True)
    tool.bitterend("analyse", scratch / "long", "--traces", "all", "--out", scratch / "results" / "long")

    tables = [scratch / "results" / pull / "traces.parquet" for pull in [*pulls, "long"]]
    tables.append(scratch / "comparison" / "pulls.parquet")
    for table in tables:
        found = faults(table)
        assert not found, found
    assert pyarrow.parquet.ParquetFile(tables[-2]).num_row_groups > 1
    for change, name in [
        (polars.col("load_kn").alias("load"), "column `load` names no unit"),
        (polars.lit(float("nan")).alias("load_kn"), "column `load_kn` holds NaN"),
        (polars.col("rows"), "the table does not tell what its columns are"),
    ]:
        assert name in faults(spoilt_table(tables[0], change)), f"not found: {name}"

    schemas = {}
    for name in ("sheet", "analysis", "comparison"):
        schemas[name] = scratch / f"{name}.schema.json"
        schemas[name].write_text(tool.bitterend("schema", name))
    sheet = scratch / "sheet.json"
    sheet.write_text(json.dumps(tomllib.loads((tool.ROOT / "fixtures" / "halyard" / "sheet.toml").read_text())))
    check_document(
        schemas["sheet"],
        sheet,
        {"gauges": lambda d: d.pop("gauges"), "lenght": lambda d: d["line"].update(lenght="3 m")},
    )
    for pull in [*pulls, "long"]:
        check_document(
            schemas["analysis"],
            scratch / "results" / pull / "analysis.json",
            {"limit": lambda d: d.pop("limit"), "peak_load_kn": lambda d: d["record"].update(peak_load_kn="much")},
        )
    check_document(
        schemas["comparison"],
        scratch / "comparison" / "comparison.json",
        {"groups": lambda d: d.pop("groups"), "ratio": lambda d: d["differences"][0].update(ratio="twice")},
    )


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        main(pathlib.Path(folder))
    print("passed")
