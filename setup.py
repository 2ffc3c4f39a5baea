"""Finds the packages; everything else about the distribution stands in pyproject.toml."""

from setuptools import find_namespace_packages, setup

HOMES = ("core", "plugins")  # folders of packages
found = {
    name: home for home in HOMES for name in find_namespace_packages(home, exclude=["*__pycache__"])
}

setup(
    packages=[*found, "coldframe_recipes"],
    package_dir={
        "coldframe_recipes": "recipes",
        **{name: f"{home}/{name.replace('.', '/')}" for name, home in found.items()},
    },
)
