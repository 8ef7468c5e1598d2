"""Workbooks as other people keep them, written anew for each run of the tests."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from openpyxl import Workbook
from openpyxl.comments import Comment
from openpyxl.styles import Font

if TYPE_CHECKING:
    from pathlib import Path

    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["WORKBOOKS", "write_workbooks"]


def two_row_header(page: Worksheet) -> None:
    """Merged title, species above passes, real dates, a note below the table (Swedish)."""
    page["A1"] = "Elfiske sommaren 2024"
    page["A1"].font = Font(bold=True, size=16)
    page.merge_cells("A1:K1")
    page["A2"] = "Lag A, utrustning 2"
    page.merge_cells("A2:K2")
    upper = ["Lokal", "Vattendrag", "Datum", "Metod", "Longitud", "Latitud", "Cottus gobio", "",
             "", "Salmo trutta", "", ""]  # fmt: skip
    lower = ["", "", "", "", "", "", "Omg 1", "Omg 2", "Omg 3", "Omg 1", "Omg 2", "Omg 3"]
    page.append(upper)
    page.append(lower)
    page.merge_cells("G3:I3")
    page.merge_cells("J3:L3")
    for row in (
        ["Kvarnvadet", "Long Brook", dt.date(2024, 8, 5), "elfiske", -11.2127, 52.6, 12, 5, 2, 4, 1,
         0],
        ["Alkroken", "Long Brook", dt.date(2024, 8, 6), "elfiske", -11.2128, 52.6035, 20, 9, 4, 0,
         0, 0],
        ["Hägerviken", "Side Brook", dt.date(2024, 8, 6), "elfiske", -11.208, 52.611, 0, None, None,
         0, None, None],
    ):  # fmt: skip
        page.append(row)
    page.append([])
    page.append(["Alla fiskar återutsatta."])


def serial_days(page: Worksheet) -> None:
    """One row per fish; days as bare numbers of a spreadsheet; comments; a hidden column."""
    page.append(["visit", "key", "site name", "day", "technique", "x deg", "y deg", "species",
                 "TL mm", "W g", "seen by"])  # fmt: skip
    for row in (
        ["V1", "k9f3", "Mill ford", 45446, "e-fishing", -11.2127, 52.6, "Salmo trutta", 124, 21,
         "crew A"],
        ["V1", "k9f3", "Mill ford", 45446, "e-fishing", -11.2127, 52.6, "Salmo trutta", 98, None,
         "crew A"],
        ["V1", "k9f3", "Mill ford", 45446, "e-fishing", -11.2127, 52.6, "Cottus gobio", 61, None,
         "crew A"],
        ["V2", "p2x7", "Alder bend", 45448, "e-fishing", -11.2128, 52.6035, "Anguilla anguilla",
         415, 120, "crew A"],
        ["V2", "p2x7", "Alder bend", 45448, "e-fishing", -11.2128, 52.6035, "Cottus gobio", None,
         None, "crew A"],
    ):  # fmt: skip
        page.append(row)
    page["I2"].comment = Comment("fin clipped", "crew A")
    page.column_dimensions["B"].hidden = True


def several_sheets(book: Workbook) -> None:
    """Places, visits and fish in tabs of their own, behind one of explanations."""
    about = book.active
    about.title = "Read me"
    about.append(["This workbook belongs to the brook survey."])
    about.append(["Fill in Visits first."])
    places = book.create_sheet("Places")
    for row in (
        ["Place", "Description", "Brook", "Longitude", "Latitude"],
        ["MF", "Ford below the mill", "Long Brook", -11.2127, 52.6],
        ["HP", "Heron pool", "Side Brook", -11.207, 52.612],
    ):
        places.append(row)
    visits = book.create_sheet("Visits")
    for row in (
        ["Visit", "Place", "Date", "From", "To", "Technique", "Observer"],
        [101, "MF", dt.date(2024, 6, 3), dt.time(10, 15), dt.time(11, 30), "Electric fishing",
         "crew A"],
        [102, "HP", dt.date(2024, 6, 5), dt.time(11, 30), dt.time(12, 15), "Kick net",
         "crew B"],
        [103, "MF", dt.date(2024, 9, 10), dt.time(10, 0), dt.time(11, 5), "Electric fishing",
         "crew A"],
    ):  # fmt: skip
        visits.append(row)
    fish = book.create_sheet("Fish")
    for row in (
        ["Visit", "Fish species", "Total", "Remark"],
        [101, "Bullhead", 17, None],
        [101, "Brown trout", 5, "one large"],
        [102, "Stone loach", 1, None],
        [103, "Bullhead", 13, None],
        [103, "Brook lamprey", 1, "ammocoete"],
    ):
        fish.append(row)


def trap_lines(page: Worksheet) -> None:
    """Shortened names above columns, totals by formula, notes below."""
    page.append(["Minnow traps, June 2024"])
    page.append([])
    page.append(["Line", "Place", "Gear", "Traps", "Set date", "Set time", "Lift date", "Lift time",
                 "Long.", "Lat.", "G. aculeatus", "P. phoxinus", "A. anguilla",
                 "All fish"])  # fmt: skip
    for k, row in enumerate((
        ["T1", "Sluice pool", "Minnow trap", 6, dt.date(2024, 6, 4), dt.time(19, 30),
         dt.date(2024, 6, 5), dt.time(8, 10), -11.2128, 52.6035, 23, 11, None],
        ["T2", "Reed mouth", "Minnow trap", 8, dt.date(2024, 6, 4), dt.time(20, 5),
         dt.date(2024, 6, 5), dt.time(8, 45), -11.2127, 52.6, 0, 4, 1],
        ["T3", "Heron pool", "Minnow trap", 4, dt.date(2024, 6, 5), dt.time(19, 0),
         dt.date(2024, 6, 6), dt.time(7, 30), -11.207, 52.612, 0, 0, 0],
    ), start=4):  # fmt: skip
        page.append([*row, f"=SUM(K{k}:M{k})"])
    page.append(["Total", None, None, None, None, None, None, None, None, None, "=SUM(K4:K6)",
                 "=SUM(L4:L6)", "=SUM(M4:M6)", "=SUM(N4:N6)"])  # fmt: skip
    page.append([])
    page.append(["T2 was moved upstream after the flood."])


def first_row_only(page: Worksheet) -> None:
    """What is the same is written once, in cells merged over the rows of a placement."""
    page.append(["Event", "Site", "Date and time", "Type of gear", "Lon (deg)", "Lat (deg)",
                 "Species", "Individuals", "Fate"])  # fmt: skip
    for row in (
        ["E1", "Mill ford", "3.6.2024 10:15", "seine", -11.2127, 52.6, "Gobio gobio", 14,
         "released"],
        [None, None, None, None, None, None, "Rutilus rutilus", 6, "released"],
        [None, None, None, None, None, None, "Perca fluviatilis", 2, "kept"],
        ["E2", "Reed mouth", "15.6.2024 14:00", "seine", -11.2128, 52.6035, "Rutilus rutilus", 31,
         "released"],
    ):  # fmt: skip
        page.append(row)
    for letter in "ABCDEF":
        page.merge_cells(f"{letter}2:{letter}4")


def minutes_per_pass(page: Worksheet) -> None:
    """Minutes and catch of each pass beside each other, under a title."""
    page.append(["ELECTRIC FISHING RETURN"])
    page.merge_cells("A1:N1")
    page.append(["Ref", "Watercourse", "Site name", "Date of survey", "Equipment", "Long", "Lat",
                 "Run 1 mins", "Run 2 mins", "Bullhead run 1", "Bullhead run 2", "Minnow run 1",
                 "Minnow run 2", "Notes"])  # fmt: skip
    page.append(["R1", "Long Brook", "Mill ford", "23/06/2024", "Backpack electrofishing", -11.2127,
                 52.6, 18, 14, 12, 5, 40, 11, "two netters"])  # fmt: skip
    page.append(["R2", "Side Brook", "Heron pool", "24/06/2024", "Backpack electrofishing", -11.207,
                 52.612, 15, 12, 6, 1, 0, 0, None])  # fmt: skip


def run_card(page: Worksheet) -> None:
    """A card of one visit: what it is about above, runs in merged cells, a row of sums below."""
    for row in (
        ["Electric fishing survey 2024"],
        ["Site:", "Mill ford", None, "Lon:", -11.2127, "Lat:", 52.6],
        ["Date:", dt.date(2024, 6, 3), None, "Method:", "electric fishing"],
        [None],
        [None, "Run 1", None, "Run 2", None, "Remarks"],
        ["Species", "Caught", "Note", "Caught", "Note", None],
        ["Bullhead", 5, None, 2, "one hurt", None],
        ["Brown trout", 1, None, 0, None, None],
        ["Total", 6, None, 2, None, None],
    ):
        page.append(row)
    page.merge_cells("B5:C5")
    page.merge_cells("D5:E5")


WORKBOOKS = {
    "run_card": run_card,
    "elfiske": two_row_header,
    "fish_log": serial_days,
    "trap_lines": trap_lines,
    "first_row_only": first_row_only,
    "run_minutes": minutes_per_pass,
}


def write_workbooks(folder: Path) -> None:
    """Write every workbook as NAME.xlsx into a folder."""
    for name, fill in WORKBOOKS.items():
        book = Workbook()
        fill(book.active)
        book.save(folder / f"{name}.xlsx")
    book = Workbook()
    several_sheets(book)
    book.save(folder / "season_book.xlsx")
