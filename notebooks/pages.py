"""Pages of the documentation that are made when it is built, for MkDocs.

A page for each command, from its own help; one for each notebook, without outputs; the reference, from
docstrings of the public packages. Formulas between dollar signs become MathML, which
browsers draw by themselves.
"""

from __future__ import annotations

import importlib
import inspect
import json
import re
from pathlib import Path
from typing import Any

import click
from latex2mathml.converter import convert
from mkdocs.config.defaults import MkDocsConfig
from mkdocs.structure.files import File, Files

import nf2ff
from nf2ff.cli import COMMANDS, main

ROOT = Path(__file__).parents[1]
#: Packages in the order of imports; the others are private.
PACKAGES = (
    "antenna",
    "measurement",
    "solver",
    "metrics",
    "power_only",
    "uncertainty",
    "uncertainty.errors",
    "uncertainty.budget",
    "diagnostics",
    "ranges",
    "planning",
    "io",
    "report",
)
REPOSITORY_FILES = re.compile(r"\]\(\.\./(\w+)\.ipynb\)")


def on_config(config: MkDocsConfig) -> MkDocsConfig:
    """Add the pages that are made to the navigation."""
    nav = config.nav
    assert isinstance(nav, list)
    nav.append({"Commands": [f"commands/{name}.md" for name in sorted(COMMANDS)]})
    nav.append({"Notebooks": [f"notebooks/{path.stem}.md" for path in notebooks()]})
    nav.append({"Reference": ["reference/index.md", *(f"reference/{name}.md" for name in PACKAGES)]})
    return config


def on_files(files: Files, config: MkDocsConfig) -> Files:
    """Make the pages."""
    pages = {f"commands/{name}.md": command_page(name) for name in sorted(COMMANDS)}
    pages |= {f"notebooks/{path.stem}.md": notebook_page(path) for path in notebooks()}
    pages |= {f"reference/{name}.md": reference_page(name) for name in PACKAGES}
    pages["reference/index.md"] = package_page()
    for uri, text in pages.items():
        files.append(File.generated(config, uri, content=text))
    return files


def on_page_markdown(markdown: str, **_: Any) -> str:
    """Formulas between $$ and $$, or $` and `$, as MathML; links to notebooks as links to their pages."""
    markdown = re.sub(r"\$\$(.+?)\$\$", lambda m: convert(m[1], display="block"), markdown, flags=re.DOTALL)
    # At the beginning of a line it would begin a block.
    markdown = re.sub(r"\s\$`", " $`", markdown)
    markdown = re.sub(r"\$`(.+?)`\$", lambda m: convert(m[1]), markdown)
    return REPOSITORY_FILES.sub(r"](notebooks/\1.md)", markdown)


def notebooks() -> list[Path]:
    """All notebooks."""
    return sorted((ROOT / "notebooks").glob("*.ipynb"))


def command_page(name: str) -> str:
    """What a command does, from its own help."""
    command = main.get_command(click.Context(main), name)
    assert command is not None
    context = click.Context(command, info_name=f"nf2ff {name}")
    usage = " ".join(command.collect_usage_pieces(context))
    parts = [f"# {name}", COMMANDS[name], f"```console\n$ nf2ff {name} {usage}\n```"]
    parts.append(_paragraphs(inspect.cleandoc(command.help or "")))
    if command.epilog:
        parts.append(_paragraphs(command.epilog).replace("Example: ", "Example: `", 1) + "`")
    rows = [record for param in command.get_params(context) if (record := param.get_help_record(context))]
    parts += ["## Options", "| option | does |\n|---|---|"]
    parts[-1] += "".join(f"\n| `{_cell(option)}` | {_text(_cell(told))} |" for option, told in rows)
    return "\n\n".join(parts) + "\n"


def _paragraphs(text: str) -> str:
    """Help text, where one of click's marks keeps a block of lines as it is."""
    blocks = []
    for block in re.split(r"\n\s*\n", text.strip()):
        if block.startswith("\b"):
            blocks.append("```text\n" + block.removeprefix("\b\n") + "\n```")
        else:
            blocks.append(_text(block))
    return "\n\n".join(blocks)


def _text(words: str) -> str:
    """Words that hold no markup."""
    return re.sub(r"([\\*_<>\[\]])", r"\\\1", words)


def _cell(words: str) -> str:
    return " ".join(words.split()).replace("|", "\\|")


def notebook_page(path: Path) -> str:
    """Text and code of a notebook."""
    parts = []
    for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
        source = "".join(cell["source"])
        parts.append(source if cell["cell_type"] == "markdown" else f"```python\n{source}\n```")
    parts.insert(
        1, f"*From `notebooks/{path.name}`, which runs in less than a minute and draws its figures.*"
    )
    return "\n\n".join(parts) + "\n"


def reference_page(package: str) -> str:
    """Public names of a package, file by file, as the docstring of the package lists them."""
    module = importlib.import_module(f"nf2ff.{package}")
    title, _, names = (module.__doc__ or "").partition("\n\n")
    parts = [f"# {package}", title]
    for line in re.split(r"\n(?=\w)", names.strip()):
        file, _, listed = line.partition(" : ")
        if not listed:
            parts.append(line)
            continue
        parts.append(f"## {file}")
        inner = importlib.import_module(f"nf2ff.{package}.{file}")
        parts.append((inner.__doc__ or "").partition("\n\n")[0])
        parts += [f"::: nf2ff.{package}.{file}.{name.strip()}" for name in listed.split(",")]
    return "\n\n".join(parts) + "\n"


def package_page() -> str:
    """Conventions of the library, its main names and its packages."""
    first = "# Reference\n\nConventions, from the docstring of the package:\n\n"
    conventions = (nf2ff.__doc__ or "").strip()
    names = ", ".join(f"`{name}`" for name in nf2ff.__all__)
    rows = [f"| [{name}]({name}.md) | {_first_line(name)} |" for name in PACKAGES]
    listed = "| package | |\n|---|---|\n" + "\n".join(rows)
    return f"{first}```text\n{conventions}\n```\n\n`import nf2ff` gives {names}.\n\n{listed}\n"


def _first_line(package: str) -> str:
    return (importlib.import_module(f"nf2ff.{package}").__doc__ or "").splitlines()[0]
