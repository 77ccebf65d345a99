#!/usr/bin/env python3
"""Makes a first corpus and the dictionaries from the files of the repository.

    cargo build --release && fuzz/seeds.py FOLDER

writes FOLDER/<target>/ and fuzz/dictionaries/; merge the folders into fuzz/corpus (README.md says how).
"""

import json, random, re, subprocess, sys, tempfile, zipfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
OUT = Path(sys.argv[1])
PROGRAM = ROOT / "target/release/spinney"
FILES = ["stands", "plots", "trees", "counts"]


def seed(target, name, content):
    folder = OUT / target
    folder.mkdir(parents=True, exist_ok=True)
    (folder / re.sub(r"[^\w.-]", "-", name)).write_bytes(content)


def first_lines(path, number):
    return b"".join(path.read_bytes().splitlines(keepends=True)[:number])


def designs():
    for path in [*ROOT.glob("examples/*/design.yaml"), *ROOT.glob("tests/rejects/design-*.yaml")]:
        seed("design", f"{path.parent.name}-{path.name}", path.read_bytes())


def records():
    for path in [*ROOT.glob("examples/*/*.csv"), *ROOT.glob("tests/rejects/*.csv")]:
        file = path.stem.split("-")[0]
        if file in FILES:
            for cruise in range(4):
                content = bytes([cruise * 4 + FILES.index(file)]) + first_lines(path, 9)
                seed("records", f"{cruise}-{path.parent.name}-{path.name}", content)


def tables():
    source = (ROOT / "fuzz/src/tables.rs").read_text()
    slots = re.findall(r'^    slot\("(.*?)", "(.*?)", "(.*?)"\)', source, re.M)
    for at, (kind, name, file) in enumerate(slots):
        path = ROOT / "species-tables" / kind / name / file
        if path.exists():
            seed("tables", f"{kind}-{name}-{file}", bytes([at]) + first_lines(path, 60 if kind else 12))
    for at, file in [(1, "set.yaml"), (2, "coefficients.csv"), (3, "checks.csv")]:
        for path in ROOT.glob(f"species-tables/volume/*/{file}"):
            seed("tables", f"own-{path.parent.name}-{file}", bytes([at]) + first_lines(path, 12))


def expressions():
    texts = set()
    for path in [*ROOT.glob("docs/*.md"), *ROOT.glob("tests/it/*.rs"), *ROOT.glob("src/species/expression*")]:
        if path.is_file():
            texts |= set(re.findall(r'"([^"\\\n]*(?:dbh_|exp\(|ln\(|pow\()[^"\\\n]*)"', path.read_text()))
    for at, text in enumerate(sorted(texts)):
        seed("expression", f"{at}", text.encode())


def tabular():
    with tempfile.TemporaryDirectory() as folder:
        for ending in ["parquet", "xlsx"]:
            made = Path(folder) / f"trees.{ending}"
            design = ROOT / "examples/one-centre/design.yaml"
            subprocess.run([PROGRAM, "compile", design, "--tree-list", made], check=True, capture_output=True)
            seed("tabular", ending, bytes([ending == "xlsx"]) + made.read_bytes())
        parts = ["xl/worksheets/sheet1.xml", "xl/sharedStrings.xml", "xl/workbook.xml", "xl/styles.xml",
                 "xl/_rels/workbook.xml.rels", "[Content_Types].xml"]
        with zipfile.ZipFile(Path(folder) / "trees.xlsx") as archive:
            for at, part in enumerate(parts):
                if part in archive.namelist():
                    seed("tabular", f"part-{at}", bytes([at + 2]) + archive.read(part)[:3000])


def cruises():
    numbers = random.Random(1)
    for at in range(120):
        seed("cruise", f"{at}", numbers.randbytes(numbers.randrange(200, 3000)))


def words(value, found):
    if isinstance(value, dict):
        found |= set(value.get("properties", {}))
        for key, inner in value.items():
            if key in ("enum", "const"):
                found |= {word for word in (inner if isinstance(inner, list) else [inner]) if isinstance(word, str)}
            words(inner, found)
    elif isinstance(value, list):
        for inner in value:
            words(inner, found)


def dictionary(target, texts):
    folder = ROOT / "fuzz/dictionaries"
    folder.mkdir(exist_ok=True)
    plain = lambda character: character if character.isprintable() and character not in '"\\\\' else f"\\x{ord(character):02x}"
    lines = ['"' + "".join(map(plain, text)) + '"\n' for text in sorted(texts) if text.isascii()]
    (folder / f"{target}.dict").write_text("".join(lines))


def dictionaries():
    found = set()
    words(json.loads(subprocess.run([PROGRAM, "schema"], check=True, capture_output=True).stdout), found)
    found = {word for word in found if len(word) < 40}
    yaml = {"{ ", " }", "[", "]", ": ", "- ", "&a ", "*a", "!t ", "<<: ", "? ", "|\n", ">-\n", "~", "true", ".nan", "1e400", "\n  "}
    dictionary("design", found | yaml)
    columns = set()
    for path in [*ROOT.glob("examples/*/*.csv"), *ROOT.glob("tests/rejects/*.csv")]:
        columns |= set(re.split(r"[,;\t]", path.read_text(errors="replace").splitlines()[0] if path.stat().st_size else ""))
    columns |= set(re.findall(r'^\s+"([a-z_]+)",$', (ROOT / "src/read/columns.rs").read_text(), re.M))
    cells = {"live", "dead", "yes", "no", "Fd", "PSME", "fixed", "sweep", "1", "24,5", "\"", ";", "\t", "\n", "1e308", "-0"}
    dictionary("records", {word for word in columns if 0 < len(word) < 30} | cells)
    tables = set(yaml)
    for path in ROOT.glob("species-tables/*/*/*"):
        text = path.read_text()
        if path.suffix == ".yaml":
            tables |= set(re.findall(r"^\s*(?:- )?([a-z][\w-]*):", text, re.M))
            tables |= set(re.findall(r"^(?:form|bark|obtained): (.+)$", text, re.M))
        else:
            tables |= set(text.splitlines()[0].split(","))
    dictionary("tables", {word for word in tables if 0 < len(word) < 60})
    dictionary("expression", {"dbh_cm", "dbh_in", "height_m", "height_ft", "exp(", "ln(", "log10(", "sqrt(", "abs(", "pow(", "min(", "max(", "pi", "1e-300", "^-", ", ", "b0"})
    dictionary("tabular", {"<row r=\"2\">", "<c r=\"A1\" t=\"s\">", "<v>", "</v>", "</c>", "</row>", "<si>", "<t>", "</t>", "</si>", "t=\"inlineStr\"", "t=\"b\"", "t=\"e\"", "t=\"str\"", "<is>", "<mergeCell ref=\"A1:B2\"/>", "<dimension ref=\"A1:XFD1048576\"/>", "date1904=\"1\"", "state=\"hidden\"", "numFmtId=\"14\"", "&#x10ffff;", "<f>", "PAR1"})


for make in [designs, records, tables, expressions, tabular, cruises, dictionaries]:
    make()
