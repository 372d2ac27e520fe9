"""What every test may use."""

from pathlib import Path

import pytest

#: Photographs too large or not ours to keep in the project lie beside it.
PUBLIC_PHOTOS = Path(__file__).resolve().parents[2] / "shared" / "photos"


@pytest.fixture(scope="session")
def public_photos() -> Path:
    if not PUBLIC_PHOTOS.is_dir():
        pytest.skip("the public photographs are not beside the project (../shared/photos)")
    return PUBLIC_PHOTOS
