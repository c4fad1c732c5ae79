"""A table as a file, as it is filtered and sorted on the page."""

from datetime import datetime
from io import BytesIO
from typing import Any

import django_tables2 as tables
import pandas as pd
from django.http import Http404, HttpRequest, HttpResponse
from django.utils import timezone
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

from fleetcal.importing.problems import inert

FORMATS = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}
PAGE_ROWS = 50


def configure(request: HttpRequest, table: tables.Table, rows: int = PAGE_ROWS) -> tables.Table:
    """Sort and page *table* by the URL, and offer its exports."""
    table.export_formats = list(FORMATS)
    return page(request, table, rows)


def page(request: HttpRequest, table: tables.Table, rows: int) -> tables.Table:
    """Sort *table* and choose its page by the URL. How many rows a page has is not the URL's to say."""
    tables.RequestConfig(request, paginate=False).configure(table)
    table.paginate(per_page=rows)
    table.page = table.paginator.get_page(request.GET.get(table.prefixed_page_field))
    return table


def export_asked(request: HttpRequest, table: tables.Table, name: str) -> HttpResponse | None:
    """The whole of *table* as a file when the URL asks for one; None when it does not."""
    if "export" not in request.GET:
        return None
    tables.RequestConfig(request, paginate=False).configure(table)
    return export(table, request.GET["export"], name)


def export(table: tables.Table, file_format: str, name: str) -> HttpResponse:
    """The response for ``?export=csv`` or ``?export=xlsx``; 404 for any other."""
    if file_format not in FORMATS:
        raise Http404(f"There is no export as {file_format}.")
    header, *rows = ([_cell(value) for value in row] for row in table.as_values())
    frame = pd.DataFrame(rows, columns=header)
    response = HttpResponse(_written(frame, file_format), content_type=FORMATS[file_format])
    response["Content-Disposition"] = f'attachment; filename="{name}.{file_format}"'
    return response


def _written(frame: pd.DataFrame, file_format: str) -> bytes:
    if file_format == "csv":
        # The byte order mark is what makes a spreadsheet read the file as UTF-8.
        return bytes(frame.to_csv(index=False).encode("utf-8-sig"))
    content = BytesIO()
    frame.to_excel(content, index=False)
    return content.getvalue()


def _cell(value: Any) -> Any:
    """A number, a date or plain text; text that a spreadsheet would take for a formula is marked as text."""
    if isinstance(value, datetime):
        # A spreadsheet knows no time zones: as on the page, in the person's own.
        return (timezone.localtime(value) if timezone.is_aware(value) else value).replace(tzinfo=None)
    if isinstance(value, str):
        return inert(
            ILLEGAL_CHARACTERS_RE.sub("�", value)
        )  # control characters, which a workbook cannot hold
    return value
