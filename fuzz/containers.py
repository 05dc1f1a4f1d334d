"""Archives made around a part that a fuzzer changes, so that its changes are not undone by a checksum."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping

_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_LINKS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_OFFICE = "urn:oasis:names:tc:opendocument:xmlns"

#: Parts of a small workbook of one sheet, in the order in which a fuzzer's pieces replace them.
XLSX: dict[str, str] = {
    "xl/worksheets/sheet1.xml": (
        f'<worksheet xmlns="{_MAIN}"><sheetData>'
        '<row r="1"><c r="A1" t="s"><v>0</v></c><c r="B1" t="inlineStr"><is><t>date</t></is></c>'
        '<c r="C1" t="str"><v>cyl 1 ml</v></c></row>'
        '<row r="2"><c r="A2" t="s"><v>1</v></c><c r="B2" s="1"><v>45689.5</v></c><c r="C2"><v>12.5</v></c></row>'
        '<row r="3"><c r="A3" t="e"><v>#N/A</v></c><c r="B3" t="b"><v>1</v></c><c r="C3"><f>C2*2</f></c></row>'
        '</sheetData><mergeCells><mergeCell ref="A2:A3"/></mergeCells></worksheet>'
    ),
    "xl/sharedStrings.xml": f'<sst xmlns="{_MAIN}"><si><t>vehicle</t></si><si><r><t>V 01</t></r></si></sst>',
    "xl/styles.xml": (
        f'<styleSheet xmlns="{_MAIN}"><numFmts><numFmt numFmtId="165" formatCode="[h]:mm:ss"/></numFmts>'
        '<cellXfs><xf numFmtId="0"/><xf numFmtId="22"/><xf numFmtId="165"/></cellXfs></styleSheet>'
    ),
    "xl/workbook.xml": (
        f'<workbook xmlns="{_MAIN}" xmlns:r="{_LINKS}"><workbookPr date1904="0"/>'
        '<sheets><sheet name="Tests" sheetId="1" r:id="rId1"/></sheets></workbook>'
    ),
    "xl/_rels/workbook.xml.rels": (
        f'<Relationships xmlns="{_PACKAGE}/relationships">'
        f'<Relationship Id="rId1" Type="{_LINKS}/worksheet" Target="worksheets/sheet1.xml"/>'
        f'<Relationship Id="rId2" Type="{_LINKS}/styles" Target="styles.xml"/>'
        f'<Relationship Id="rId3" Type="{_LINKS}/sharedStrings" Target="sharedStrings.xml"/></Relationships>'
    ),
    "_rels/.rels": (
        f'<Relationships xmlns="{_PACKAGE}/relationships">'
        f'<Relationship Id="rId1" Type="{_LINKS}/officeDocument" Target="xl/workbook.xml"/></Relationships>'
    ),
    "[Content_Types].xml": f'<Types xmlns="{_PACKAGE}/content-types"/>',
}

#: Parts of a small OpenDocument workbook.
ODS: dict[str, str] = {
    "content.xml": (
        f'<office:document-content xmlns:office="{_OFFICE}:office:1.0" xmlns:table="{_OFFICE}:table:1.0" '
        f'xmlns:text="{_OFFICE}:text:1.0"><office:body><office:spreadsheet><table:table table:name="Tests">'
        '<table:table-row><table:table-cell office:value-type="string"><text:p>vehicle</text:p></table:table-cell>'
        '<table:table-cell office:value-type="string" table:number-columns-spanned="2"><text:p>day</text:p>'
        "</table:table-cell><table:covered-table-cell/></table:table-row>"
        '<table:table-row table:number-rows-repeated="2"><table:table-cell office:value-type="date" '
        'office:date-value="2025-03-04T10:30:00"><text:p>4.3.</text:p></table:table-cell>'
        '<table:table-cell office:value-type="float" office:value="12.5" table:number-columns-repeated="2"/>'
        '<table:table-cell office:value-type="time" office:time-value="PT10H30M00S"/>'
        '<table:table-cell office:value-type="boolean" office:boolean-value="true"/>'
        '<table:table-cell table:formula="of:=1/0" office:value-type="percentage" office:value="0.5"/>'
        "</table:table-row></table:table></office:spreadsheet></office:body></office:document-content>"
    ),
    "META-INF/manifest.xml": '<m:manifest xmlns:m="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>',
    "mimetype": "application/vnd.oasis.opendocument.spreadsheet",
}

#: Stands between the pieces of an input.
BETWEEN = b"\n--part--\n"


def packed(parts: Mapping[str, str], pieces: bytes, given: Mapping[str, bytes] | None = None) -> bytes:
    """Return an archive of `parts`, the first ones replaced by the pieces in order; an empty piece keeps its part.

    `given` : parts with their bytes, in place of the ones of these names.
    """
    changed = pieces.split(BETWEEN)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as archive:
        for place, (name, text) in enumerate(parts.items()):
            content = changed[place] if place < len(changed) and changed[place] else text.encode()
            archive.writestr(name, (given or {}).get(name, content))
    return out.getvalue()
