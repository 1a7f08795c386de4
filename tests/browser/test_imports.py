"""An import in a real browser: a file with faults, mended, carried out by the page itself, undone."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.browser.axe import assert_clean
from tests.browser.test_people_pages import listen, wide
from tests.browser.test_rechecks import picture

pytestmark = pytest.mark.browser
HEAD = "SKU,Brand,Style,Color,Eye size,B,Bridge,Outline shape\n"


def a_file(tmp_path, name, count, wrong):
    lines = [
        f"MEND-{n},Quaylight,Tern 9{n % 9},moss,{'5x' if n in wrong else 50 + n % 4},40,18,quadra\n" for n in range(count)
    ]
    path = tmp_path / name
    path.write_text(HEAD + "".join(lines), encoding="utf-8")
    return path


def check_file(page, path):
    page.goto("/catalogue/imports/")
    assert_clean(page)
    page.set_input_files("#f-file", path)
    page.click("button:has-text('Look at it')")
    page.wait_for_selector("#f-column-7")
    page.select_option("#f-column-7", "shape")  # what the guess left out
    page.select_option("#f-key_by", "code")
    assert_clean(page)
    page.click("button:has-text('Check the lines')")
    page.wait_for_selector("#would", timeout=180_000)


def test_a_file_with_faults_is_mended_carried_out_and_undone(sign_in, tmp_path):
    page = sign_in("manager", width="desktop")
    heard = listen(page)
    check_file(page, a_file(tmp_path, "wrong.csv", 1200, {7, 900}))
    expect(page.locator("section:has(#faults) tbody tr")).to_have_count(2)
    assert page.locator("button:has-text('Import')").count() == 0  # all lines or none
    assert_clean(page)
    assert not wide(page)
    picture(page, "import-faults-1440")
    with page.expect_download() as found:
        page.click("a:has-text('Save all lines')")
    text = found.value.path().read_text(encoding="utf-8-sig")
    assert text.count("Eye size: ") == 2
    mended = tmp_path / "mended.csv"
    mended.write_text(text.replace(",5x,", ",50,"), encoding="utf-8")
    page.goto("/catalogue/imports/")
    page.set_input_files("#f-file", mended)
    page.click("button:has-text('Look at it')")
    page.wait_for_selector("#f-column-7")
    assert page.input_value("#f-column-7") == "shape"  # remembered
    assert page.input_value("#f-column-8") == ""  # what was wrong is no column of a frame
    picture(page, "import-columns-1440")
    page.click("button:has-text('Check the lines')")
    page.wait_for_selector("button:has-text('Import')", timeout=180_000)
    address = page.url
    page.click("main button:has-text('Import')")
    page.wait_for_selector("button:has-text('Undo this import')", timeout=180_000)
    assert_clean(page)
    other = sign_in("manager", width="tablet", color_scheme="dark")
    for at, name in ((address, "import-done"), ("/catalogue/imports/", "imports"), ("/frames/MEND-7/", "frame-imported")):
        other.goto(at)
        assert_clean(other)
        assert not wide(other)
        picture(other, f"{name}-820-dark")
    assert "added by an import" in other.inner_text("main")
    page.click("button:has-text('Undo this import')")
    page.wait_for_selector(".chip:has-text('undone')", timeout=180_000)
    assert page.goto("/frames/MEND-7/").status == 404
    assert [h for h in heard if "404" not in h] == []
