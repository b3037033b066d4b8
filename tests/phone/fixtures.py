"""A pytest plugin: a world with a browser at the stranger's, one for each test file, and phones in it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from lab import World, world
from phone.browser import Browser, Page, browser
from phone.page import PAGE, Phone


@pytest.fixture(scope="module")
def phone_world() -> Iterator[World]:
    with world() as made:
        yield made


@pytest.fixture(scope="module")
def chromium(phone_world: World) -> Iterator[Browser]:
    with browser(phone_world.stranger) as made:
        yield made


@pytest.fixture
def phone(chromium: Browser) -> Iterator[Phone]:
    """The page opened from its file, on a device that never saw it."""
    with Phone(chromium) as made:
        yield made


@pytest.fixture(scope="module")
def blank(chromium: Browser) -> Page:
    """The page in a tab that nobody presses anything in, for its functions."""
    return chromium.page(PAGE, clean=True)
