"""What `import siting` offers."""

from __future__ import annotations

import subprocess
import sys

import siting


def test_public_names_are_sorted_complete_and_documented():
    assert siting.__all__ == sorted(siting.__all__)
    assert set(siting.__all__) == set(siting._HOME)
    for name in siting.__all__:
        assert getattr(siting, name).__doc__, name


def test_an_unknown_name_is_an_attribute_error():
    assert not hasattr(siting, "no_such_thing")


def test_help_loads_no_heavy_library():
    """`siting --help` must answer at once: nothing heavy may be imported for it."""
    heavy = {"numpy", "rasterio", "geopandas", "folium", "pvlib", "scipy", "numba", "pydantic"}
    code = (
        "import sys; sys.argv = ['siting', '--help']\n"
        "from siting.cli.main import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        f"print(sorted({heavy!r} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_the_desk_serves_its_first_page_without_tables_or_compiled_loops():
    """Half a second of loading during which the coordinator would look at an empty window."""
    later = {"geopandas", "pandas", "pyogrio", "numba", "folium", "pvlib", "scipy.ndimage"}
    code = (
        f"import sys; import siting.desk.run, uvicorn; print(sorted({later!r} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
