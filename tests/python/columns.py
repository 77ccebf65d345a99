"""Reads and writes Parquet by pyarrow, for tests/it/parquet.rs.

compare FILE.parquet FILE.csv    types, values and nulls of a table of ours against its CSV
write FOLDER                     NAME.csv of the folder as NAME.parquet, each in another way
"""

import sys

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

WORDS = {"stand", "stratum", "selection", "status", "species", "attribute", "unit", "plot", "tree",
         "decay_class", "height_source", "flags"}
COUNTS = {"n_plots", "line"}


def kind(name):
    if name in WORDS:
        return pa.string()
    return pa.int64() if name in COUNTS else pa.float64()


def compare(parquet, csv):
    table = pq.read_table(parquet)
    head = open(csv, newline="").readline().rstrip("\n").split(",")
    assert table.column_names == head, table.column_names
    options = pacsv.ConvertOptions(
        column_types={name: kind(name) for name in head},
        null_values=["", "all"],
        strings_can_be_null=False,
        quoted_strings_can_be_null=False,
    )
    parse = pacsv.ParseOptions(newlines_in_values=True)
    text = pacsv.read_csv(csv, convert_options=options, parse_options=parse)
    assert table.num_rows == text.num_rows, (table.num_rows, text.num_rows)
    for name in head:
        ours, theirs = table[name].combine_chunks(), text[name].combine_chunks()
        assert ours.type == kind(name), (name, ours.type)
        if name in WORDS:
            # Nothing is null with us and an empty word with them.
            ours = pc.fill_null(ours, "")
        assert ours.equals(theirs), name
    print("same", table.num_rows, "rows", len(head), "columns")


def write(folder):
    ways = {
        # Words and numbers as they are found, dictionaries.
        "trees": dict(compression="zstd", data_page_size=512, row_group_size=50),
        "plots": dict(compression="snappy", use_dictionary=False, data_page_version="2.0"),
        "counts": dict(compression="gzip", version="1.0"),
        "stands": dict(compression="lz4", use_dictionary=False),
    }
    for name, way in ways.items():
        table = pacsv.read_csv(f"{folder}/{name}.csv")
        for at, column in enumerate(table.column_names):
            values = table[column]
            if name == "trees" and column == "species":
                values = values.dictionary_encode()
            elif name == "counts" and column == "count":
                values = values.cast(pa.int16())
            elif name == "stands" and column == "area_ha":
                values = values.cast(pa.decimal128(9, 3))
            elif name == "plots" and column == "plot":
                values = values.cast(pa.uint32())
            elif values.type == pa.null():
                values = values.cast(pa.float32())
            table = table.set_column(at, column, values)
        pq.write_table(table, f"{folder}/{name}.parquet", **way)
        print(name, " ".join(str(field.type) for field in pq.read_schema(f"{folder}/{name}.parquet")))


if __name__ == "__main__":
    {"compare": compare, "write": write}[sys.argv[1]](*sys.argv[2:])
