"""Takes README's picture: ``python tests/handover/picture.py MAP.html PICTURE.png``."""

import sys
from pathlib import Path

from browser import DESK, chromium, opened

if __name__ == "__main__":
    page, picture = (Path(word).resolve() for word in sys.argv[1:])
    with chromium() as browser, opened(browser, page, **DESK) as it:
        it.page.wait_for_timeout(500)
        it.page.screenshot(path=picture)
