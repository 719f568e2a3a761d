"""``clearwell manual`` and ``completion``: help at the terminal, and help while a command is typed."""

from importlib.resources import files

import click

from bridge.commands.shared.terminal import columns
from bridge.display.text import plain_text

PAGES = {
    page.name.removesuffix(".md"): page
    for page in sorted((files("bridge") / "manual").iterdir(), key=lambda page: page.name)
    if page.name.endswith(".md")
}
"""Every page of the package by its topic."""


@click.command("manual")
@click.argument("topic", required=False, type=click.Choice(list(PAGES)), metavar="[TOPIC]")
def manual(topic: str | None) -> None:
    """Show a page of the manual, or without TOPIC the list of all pages.

    The text is wrapped to the width of the terminal and goes to the standard output, so that it can be read
    with a pager: clearwell manual faults | less
    """
    if topic is not None:
        click.echo(plain_text(PAGES[topic].read_text("utf-8"), columns()), nl=False)
        return
    indent = max(map(len, PAGES)) + 2
    for name, page in PAGES.items():
        title = page.read_text("utf-8").partition("\n")[0].lstrip("# ")
        click.echo(f"{name:<{indent}}{title}")


@click.command("completion")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def completion(shell: str) -> None:
    r"""Print a script that lets bash, zsh or fish complete commands, options, values and files.

    \b
    bash  clearwell completion bash > ~/.local/share/bash-completion/completions/clearwell
    zsh   clearwell completion zsh > a file _clearwell in a directory of $fpath
    fish  clearwell completion fish > ~/.config/fish/completions/clearwell.fish

    The script runs the program itself, so it is always up to date; the program must be on the PATH.
    """
    from click.shell_completion import get_completion_class

    from bridge.commands.main import entry

    kind = get_completion_class(shell)
    assert kind is not None
    script = kind(entry, {}, "clearwell", "_CLEARWELL_COMPLETE")
    # script.source() would check the version of the bash on this machine, which may not be the user's.
    click.echo(script.source_template % script.source_vars())
