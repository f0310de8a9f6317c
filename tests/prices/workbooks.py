"""Workbooks: the rows of a table as the XLSX that spreadsheet programs write, of any length."""

import tempfile
import zipfile
from collections.abc import Iterable
from pathlib import Path
from xml.sax.saxutils import escape

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
KIND = "application/vnd.openxmlformats-officedocument.spreadsheetml"
PARTS = {
    "[Content_Types].xml": f'<Types xmlns="{PACKAGE}/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships'
    '+xml"/><Override PartName="/xl/workbook.xml" '
    f'ContentType="{KIND}.sheet.main+xml"/><Override PartName="/xl/worksheets/sheet1.xml" '
    f'ContentType="{KIND}.worksheet+xml"/><Override PartName="/xl/sharedStrings.xml" '
    f'ContentType="{KIND}.sharedStrings+xml"/></Types>',
    "_rels/.rels": f'<Relationships xmlns="{PACKAGE}/relationships"><Relationship Id="rId1" '
    f'Type="{OFFICE}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
    "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{PACKAGE}/relationships"><Relationship '
    f'Id="rId1" Type="{OFFICE}/worksheet" Target="worksheets/sheet1.xml"/><Relationship Id="rId2" '
    f'Type="{OFFICE}/sharedStrings" Target="sharedStrings.xml"/></Relationships>',
    "xl/workbook.xml": f'<workbook xmlns="{MAIN}" xmlns:r="{OFFICE}"><sheets>'
    '<sheet name="Prices" sheetId="1" r:id="rId1"/></sheets></workbook>',
}


def write_workbook(target: Path, rows: Iterable[Iterable[str | float]]) -> Path:
    """Write a workbook with one sheet: each text once among those shared, and each row with a
    height, as after a change of font.
    """
    places = dict[str, int]()
    with (
        tempfile.TemporaryFile("w+", encoding="utf-8") as shared,
        zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as packed,
    ):
        for name, part in PARTS.items():
            packed.writestr(name, part)
        with packed.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as sheet:
            sheet.write(f'<worksheet xmlns="{MAIN}"><sheetData>'.encode())
            for number, row in enumerate(rows, start=1):
                cells = list[str]()
                for at, value in enumerate(row):
                    name = f"{chr(65 + at)}{number}"
                    if isinstance(value, str):
                        if value not in places:
                            places[value] = len(places)
                            shared.write(f"<si><t>{escape(value)}</t></si>")
                        place = places[value]
                        cells.append(f'<c r="{name}" t="s"><v>{place}</v></c>')
                    else:
                        cells.append(f'<c r="{name}"><v>{value}</v></c>')
                line = f'<row r="{number}" ht="15.6" customHeight="1">{"".join(cells)}</row>'
                sheet.write(line.encode())
            sheet.write(b"</sheetData></worksheet>")
        shared.seek(0)
        with packed.open("xl/sharedStrings.xml", "w", force_zip64=True) as texts:
            texts.write(f'<sst xmlns="{MAIN}">'.encode())
            while piece := shared.read(1_000_000):
                texts.write(piece.encode())
            texts.write(b"</sst>")
    return target
