"""A file on its way from a phone in a corridor: the network goes, the page goes, it arrives."""

from __future__ import annotations

import hashlib
import re
import time

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from django.test import Client
from django.utils import timezone

from logbook import keeping
from logbook.models import Upload
from tests import factories as f
from tests.journeys.conftest import PHONE
from tests.logbook.intake import samples

pytestmark = pytest.mark.journey


@pytest.fixture
def exam(transactional_db):
    programme = f.a_programme(code="em")
    return f.drafted_exam(f.a_trainee(programme, "Ines Haldor"), programme, when=timezone.now())


@pytest.fixture
def content():
    """A still that does not compress: 2.1 MB."""
    rng = np.random.default_rng(11)
    return samples.picture(rng.integers(0, 255, (840, 840, 3), dtype=np.uint8))


def choose(page, exam, content):
    page.goto(f"/p/em/exams/{exam.pk}/captures/add/")
    page.set_input_files(
        "[name=file]", {"name": "IMG_0001.png", "mimeType": "image/png", "buffer": content}
    )
    page.select_option("[name=zone]", "R1")
    page.fill("[name=depth_cm]", "4.5")


class Network:
    """A page's line, by the browser's own throttle."""

    def __init__(self, page):
        self._line = page.context.new_cdp_session(page)
        self._line.send("Network.enable")

    def is_slow(self, bytes_a_second, *, offline=False):
        said = {"offline": offline, "latency": 40, "downloadThroughput": -1}
        said["uploadThroughput"] = bytes_a_second
        self._line.send("Network.emulateNetworkConditions", said)

    def is_gone(self):
        self.is_slow(-1, offline=True)

    def is_back(self):
        self.is_slow(-1)


def whole(exam):
    upload = Upload.objects.get(capture__exam=exam)
    return b"".join(keeping.arrived(upload, keeping.key_of(upload)))


def sent_share(page):
    return page.locator("form [data-progress] progress").evaluate("bar => bar.value")


def until(answer, *, seconds=60):
    end = time.monotonic() + seconds
    while not (found := answer()):
        assert time.monotonic() < end
        time.sleep(0.05)
    return found


def accessible(page):
    found = Axe().run(page).response["violations"]
    return [(one["id"], [node["target"] for node in one["nodes"]]) for one in found]


def nothing_but_lost_network(screen):
    """The browser's complaints are all of a lost network; forget them."""
    assert all(re.search("ERR_(INTERNET|CONNECTION|NETWORK|FAILED)", c) for c in screen.complaints)
    screen.complaints.clear()


def test_cut_in_the_middle_and_reloaded_it_goes_on_and_finishes(screen, exam, content):
    page = screen(exam.trainee, **PHONE)
    choose(page, exam, content)
    network = Network(page)
    network.is_slow(400_000)
    page.click(".action-bar .button-primary")
    until(lambda: sent_share(page) >= 30)
    assert re.search(r"of 2\.\d MB", page.inner_text("form [data-count]"))
    assert accessible(page) == []
    network.is_gone()
    page.wait_for_selector("text=No connection. It goes on by itself")
    come = Upload.objects.get().offset
    assert 0 < come < len(content)

    # The page goes while there is no network, and is opened again where there is.
    address = page.url
    page.goto("about:blank")
    network.is_back()
    page.goto(address)
    page.wait_for_selector("[data-outbox] >> text=A file is still being sent")
    assert accessible(page) == []
    page.wait_for_selector("[data-outbox] >> text=Sent.", timeout=60_000)
    nothing_but_lost_network(screen)
    upload = Upload.objects.get()
    assert (upload.capture.state, upload.offset) == ("received", len(content))
    assert hashlib.sha256(whole(exam)).digest() == hashlib.sha256(content).digest()
    # Nothing of it stays in the browser.
    page.reload()
    left = page.evaluate(
        """() => new Promise((resolve) => {
          const open = indexedDB.open("interspace-files");
          open.onsuccess = () => {
            const all = open.result.transaction(["files", "pieces"]);
            const files = all.objectStore("files").count();
            const pieces = all.objectStore("pieces").count();
            all.oncomplete = () => resolve([files.result, pieces.result]);
          };
        })"""
    )
    assert left == [0, 0]


def test_a_line_that_breaks_again_and_again_costs_a_tenth_at_most(screen, exam, content):
    page = screen(exam.trainee, **PHONE)
    sent, broken = [], []

    def sometimes_breaks(route):
        request = route.request
        if request.method == "PATCH":
            sent.append(len(request.post_data_buffer or b""))
            if len(sent) in (2, 4):
                broken.append(request.url)
                return route.abort("connectionreset")
        return route.continue_()

    page.route("**/api/v1/uploads/*", sometimes_breaks)
    choose(page, exam, content)
    page.click(".action-bar .button-primary")
    page.wait_for_url("**/captures/", timeout=60_000)
    assert len(broken) == 2
    assert max(sent) <= 512 * 1024
    nothing_but_lost_network(screen)
    assert whole(exam) == content
    assert exam.captures.count() == 1


def test_what_is_refused_marks_its_field_and_keeps_the_rest(screen, exam, content):
    page = screen(exam.trainee, **PHONE)
    choose(page, exam, content)
    page.fill("[name=depth_cm]", "77")
    page.click(".action-bar .button-primary")
    page.wait_for_selector("[name=depth_cm][aria-invalid=true]")
    assert "between 0.5 and 40 cm" in page.inner_text("form [data-says]")
    page.fill("[name=depth_cm]", "4,5")
    page.click(".action-bar .button-primary")
    page.wait_for_url("**/captures/", timeout=30_000)
    assert exam.captures.get().depth_mm == 45
    assert all("422" in complaint for complaint in screen.complaints)
    screen.complaints.clear()


def test_a_file_of_somebody_else_is_not_sent_and_not_kept(screen, exam, content):
    """One device, two people: what the first left unsent is dropped when the second comes."""
    page = screen(exam.trainee, **PHONE)
    choose(page, exam, content)
    Network(page).is_slow(200_000)
    page.click(".action-bar .button-primary")
    until(lambda: sent_share(page) >= 10)
    bram = f.a_trainee(exam.programme, "Bram Oduya")
    other = f.drafted_exam(bram, exam.programme, when=timezone.now())
    signed_in = Client()
    signed_in.force_login(bram)
    cookie = signed_in.cookies["session"].value
    address = page.url.split("/p/")[0]
    page.context.add_cookies([{"name": "session", "value": cookie, "url": address}])
    page.goto(f"/p/em/exams/{other.pk}/captures/")
    page.wait_for_timeout(800)
    come = Upload.objects.get().offset
    assert page.locator("[data-outbox] .outbox").count() == 0
    page.wait_for_timeout(800)
    assert Upload.objects.get().offset == come < len(content)
    screen.complaints.clear()
