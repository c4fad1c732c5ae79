"""What people come to do, done in a browser as they would do it, with every page on the way looked over."""

from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect
from pypdf import PdfReader

from fleetcal.fleet.models import Vehicle
from fleetcal.records.models import Calibration, Check
from tests.browser.pages import DESK, PHONE, examine, sign_in

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

# As a weighbridge's printer program would write it: UTF-16, tabs, two lines above the headings, thousands with commas, its own
# abbreviations, an unknown plate, a weight that failed, a ticket without the display's reading, a total and a last remark.
EXPORT = """COLDHARROW QRY - SCALE 2\tOPERATOR 4
Report printed 24/11/2026 18:02\tpage 1

TKT#\tDATE OUT\tTIME\tVEH REG\tCUST\tMATERIAL\t1ST WT\t2ND WT\tNETT\tOBW GROSS
0088231\t24/11/2026\t07:14\t{first}\tBrack.\t6mm dust\t9,160\t15,420\t6,260\t15,380
0088240\t24/11/2026\t08:02\t{second}\tBrack.\tType 1\t9,940\t15,280\t5,340\t15,300
0088251\t24/11/2026\t09:05\tZZ-999\tCash\tSand\t8,000\t15,000\t7,000\t15,100
0088256\t24/11/2026\t09:47\t{first}\tBrack.\tSand\t8,080\t----\t\t16,900
0088263\t24/11/2026\t10:20\t{second}\tBrack.\tType 1\t9,100\t15,360\t6,260\t

*** PAGE TOTAL\t\t\t\t\t\t\t76,060\t24,860\t
E. & O. E.  Weights certified public weighbridge
"""


def press(page: Page, name: str) -> None:
    with page.expect_navigation():
        page.get_by_role("button", name=name).first.click()


def test_an_odd_export_goes_through_to_the_due_list_and_the_audit_pdf(
    browser: Browser, live_server: Any, fleet: None, tmp_path: Path
) -> None:
    first, second = Vehicle.objects.exclude(kind="trailer").order_by("registration")[:2]
    file = tmp_path / "scale2.txt"
    text = EXPORT.format(first=first.registration.replace("-", ""), second=second.registration.lower())
    file.write_bytes(text.replace("\n", "\r\n").encode("utf-16"))
    page = browser.new_page(viewport=DESK)
    sign_in(page, live_server.url, "manager")
    page.goto(f"{live_server.url}/imports/")
    page.locator("input[type=file]").set_input_files(file)
    press(page, "Read the file")
    faults = list(examine(page, "import columns"))
    page.locator("select[name=thousands_mark]").select_option(",")
    page.locator("input[name=date_format]").check()
    page.locator("input[name=time_format]").check()
    page.locator("select[name=instrument]").select_option(label="Coldharrow Quarry weighbridge")
    page.locator("input[name=name]").fill("Quarry scale 2")
    press(page, "Keep this and look at the tickets")
    faults += examine(page, "import preview")
    expect(page.locator("main")).to_contain_text("2 to be recorded")
    expect(page.locator("main")).to_contain_text("2 with problems")
    assert not Check.objects.filter(ticket="0088231").exists()
    page.get_by_label("the good lines").check()
    press(page, "Go on")
    faults += examine(page, "import result")
    check = Check.objects.get(ticket="0088231")
    assert (check.vehicle, check.results.get(subject=0).error_kg) == (first, -40)
    page.goto(f"{live_server.url}/?when=all&q={first.registration}")
    expect(page.locator("main table")).to_contain_text(first.registration)
    answer = page.request.get(f"{live_server.url}/vehicles/{first.pk}/audit.pdf")
    assert answer.headers["content-type"] == "application/pdf"
    assert "0088231" in "".join(sheet.extract_text() for sheet in PdfReader(BytesIO(answer.body())).pages)
    assert not faults, "\n".join(faults)


def test_a_technician_calibrates_on_a_phone_in_the_order_of_the_two_stops(
    browser: Browser, live_server: Any, fleet: None
) -> None:
    accepted = Calibration.objects.filter(accepted=True, vehicle__depot__code="MIL", vehicle__kind="rigid")
    vehicle = next(each.vehicle for each in accepted if each.vehicle.axles.count() == 2)
    maxima = [float(axle.max_kg) for axle in vehicle.axles.order_by("number")]
    page = browser.new_page(viewport=PHONE)
    sign_in(page, live_server.url, "technician")
    page.goto(f"{live_server.url}/vehicles/{vehicle.pk}/calibrations/new/")
    page.locator("[name=conditions-slope_percent]").fill("0.2")
    page.locator("[name=conditions-wind_m_s]").fill("2")
    for box in page.locator("main input[type=checkbox]").all():
        box.check()
    press(page, "Open the worksheet")
    expect(page.locator("main")).to_contain_text("Sign stop A first")
    faults = list(examine(page, "worksheet, empty"))
    weigh(page, "empty", [maximum * 0.4 for maximum in maxima])
    faults += examine(page, "worksheet, stop A")
    sign(page, "stop-a")
    weigh(page, "loaded", [maximum * 0.86 for maximum in maxima])
    sign(page, "stop-b")
    faults += examine(page, "worksheet, conclusion")
    press(page, "Record as accepted")
    faults += examine(page, "calibration just accepted")
    newest = Calibration.objects.filter(vehicle=vehicle).latest("recorded_at")
    assert newest.accepted
    assert newest.stop_a_at < newest.stop_b_at
    assert not faults, "\n".join(faults)


def weigh(page: Page, state: str, weights_kg: list[float]) -> None:
    """Each axle on the pads, to their division of 50 kg."""
    for number, weight in enumerate(weights_kg, start=1):
        side = round(weight / 2 / 50) * 50
        page.locator(f"[name={state}-pads-axle]").select_option(str(number))
        page.locator(f"[name={state}-pads-left]").fill(str(side))
        page.locator(f"[name={state}-pads-right]").fill(str(side))
        with page.expect_navigation():
            page.locator(f"form:has([name={state}-pads-left]) button").first.click()


def sign(page: Page, stop: str) -> None:
    form = page.locator(f"form[action$='#{stop}']")
    for box in form.locator("input[type=checkbox]").all():
        box.check()
    with page.expect_navigation():
        form.locator("button[name=sign]").click()


def test_the_workshop_sees_at_once_what_a_repair_means(
    browser: Browser, live_server: Any, fleet: None
) -> None:
    vehicle = Vehicle.objects.filter(standing__word="reliable", groups__suspension="steel").first()
    assert vehicle is not None
    page = browser.new_page(viewport=PHONE)
    sign_in(page, live_server.url, "administrator")
    page.goto(f"{live_server.url}/vehicles/{vehicle.pk}/repairs/new/")
    page.locator("input[name=axle]").first.check()
    page.locator("select[name=component]").select_option("leaf spring")
    page.get_by_label("replaced").check()
    expect(page.locator("main")).to_contain_text("Do not rely")
    press(page, "Record the work")
    faults = list(examine(page, "repair just recorded"))
    page.goto(f"{live_server.url}/?q={vehicle.registration}")
    expect(page.locator("main table")).to_contain_text("do not rely")
    assert not faults, "\n".join(faults)
