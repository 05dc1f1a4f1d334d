"""First inputs and words for the fuzzers, made from the samples of the tests so that no bytes lie about."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

from fuzz.containers import BETWEEN, ODS, XLSX, packed

ROOT = Path(__file__).parents[1]
_SAMPLES = ROOT / "tests/pipelines/sheets"
_JSON = b'{"vehicle": "M 7", "date": "2025-03-04", "cyl 1 ml": 12.50, "note": null}\n{"vehicle": "M 8", "ok": true}\n'
_LIST = b"id;what;file;row;column;cell;reason;suggestion;decision;value;why\n"
_PLAIN = (b"id,decision,value,why\n", b"%s,%s,%s,because\n")

WORDS: dict[str, tuple[str, ...]] = {
    "settings": (
        "[families.", "[protocols.", "[[limits]]", "[rigs.", "[sensors.", "[parts.", "superseded", "nan", "inf",
        "1e999", "banks", "value", "unit", "kind", "0001-01-01", "9999-12-31", '"""', "[[columns]]", "[file]",
        "[defaults]", "date_formats", "encodings", "thousands", "numbering", "asked", "header", "field", "\\u0000",
        "'''",
    ),
    "readers": (
        "r=\"A1\"", "t=\"s\"", "t=\"e\"", "t=\"str\"", "t=\"inlineStr\"", "<mergeCell ref=", "<f>", "date1904",
        "--part--\n",
        "number-rows-repeated", "number-columns-repeated", "office:date-value", "office:time-value", "PAR1",
        "9999-12-31T23:59:59.9999", "1e999", "NaN", "Infinity", "\\ud800", "sep=;", "\xff\xfe", "\x00", '""',
    ),
    "proposer": (
        "Vehicle", "Date", "Cyl 1", "ml", "km", "idle", "crank", "bar", "31.12.9999", "00.00.0000", "1e999", "Fahrzeug",
        "Serial", "Odometer", "mi", "psi", "fl oz", ">50", "full", "mean", "total", "n/a", "45810", "swapped", "12:60",
    ),
    "settle": ("accept", "value", "drop", "answer", "open", "yes", "no", "1-3-4-2", "from 4", "us", "id", "why"),
}  # fmt: skip


def seeds(target: str) -> list[bytes]:
    """Return the first inputs of a target."""
    made: dict[str, list[bytes]] = {
        "settings": _settings(),
        "readers": _readers(),
        "proposer": [b"C" + text for text in _texts()] + [b"L" + _texts()[0], b"J" + _JSON, b"K" + _JSON, b"X", b"W"],
        "settle": [],
    }
    return _lists() if target == "settle" else made[target]


def words(target: str) -> str:
    """Return the dictionary of a target in libFuzzer's form."""
    known = list(WORDS[target])
    if target == "settle":
        known += _ids()
    return "".join('"' + "".join(f"\\x{code:02x}" for code in word.encode("latin-1")) + '"\n' for word in known)


def _settings() -> list[bytes]:
    files = [ROOT / "datasets_demo/wearlab.toml", ROOT / "pipelines/wearlab.toml"]
    layouts = [*(ROOT / "pipelines/sheets/layouts").glob("*.toml"), *_SAMPLES.glob("samples/*.toml")]
    return [b"S" + path.read_bytes() for path in files] + [b"L" + path.read_bytes() for path in layouts]


def _texts() -> list[bytes]:
    paths = [*_SAMPLES.glob("samples/*.csv"), *_SAMPLES.glob("brought/*.csv")]
    paths += sorted((ROOT / "datasets_demo/sheets").rglob("*.csv"))[:10]
    return [b"\n".join(path.read_bytes().splitlines()[:12]) + b"\n" for path in paths]


def _readers() -> list[bytes]:
    made = [b"C" + text for text in _texts()[:8]]
    made += [b"C" + text.decode("cp1252").encode("utf-16") for text in _texts()[:1]]
    made += [b"J" + _JSON]
    for kind, parts in ((b"X", XLSX), (b"O", ODS)):
        made.append(kind + BETWEEN.join(text.encode() for text in parts.values()))
        made += [kind + text.encode() for text in list(parts.values())[:1]]
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a/b.csv", "van;ml\nM 7;12\n")
        archive.writestr("c.jsonl", _JSON)
    made += [b"Z" + out.getvalue(), b"B" + packed(XLSX, b""), b"B" + packed(ODS, b"")]
    made += [b"B" + path.read_bytes() for path in _SAMPLES.glob("samples/*.xlsx")]
    return made + [b"P" + content for content in _parquets()]


def _parquets() -> list[bytes]:
    import tempfile

    import duckdb

    made = []
    with tempfile.TemporaryDirectory() as folder:
        for form in ("uncompressed", "snappy", "zstd"):
            path = Path(folder, f"{form}.parquet")
            duckdb.sql(
                "SELECT 'M ' || (i % 3) AS vehicle, DATE '2025-03-04' + i::INTEGER AS day, i * 1.5 AS ml, "
                "TIMESTAMP '2025-03-04 10:30:00' AS t, i % 2 = 0 AS ok, (i / 4)::DECIMAL(9, 2) AS d FROM range(5) r(i)"
            ).write_parquet(str(path), compression=form)
            made.append(path.read_bytes())
    return made


def _ids() -> list[str]:
    from fuzz.yard import filled_store
    from pipelines.sheets.aside import all_items

    with filled_store() as store:
        return [item.item_id for item in all_items(store)]


def _lists() -> list[bytes]:
    head, line = _PLAIN
    said = [
        (b"accept", b""),
        (b"drop", b""),
        (b"value", b"12"),
        (b"answer", b"yes"),
        (b"open", b""),
        (b"", b"2025-05-01"),
    ]
    ids = [number.encode() for number in _ids()]
    made = [b"C" + head + line % (number, *said[place % len(said)]) for place, number in enumerate(ids)]
    made += [b"C" + head + b"".join(line % (number, *pair) for number in ids) for pair in said]
    return [*made, b"C" + _LIST, b"X"]
