"""What holds of every page: nothing from elsewhere, no violation that axe-core finds, words in every language."""

from __future__ import annotations

import pytest

from tramwright_service.pages.render import PAGES


@pytest.mark.parametrize("path", PAGES)
def test_a_page_opens(path: str, visits) -> None:
    visits().open(path)
