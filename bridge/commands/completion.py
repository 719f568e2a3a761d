"""``clearwell completion``: completes commands, options and their values at a press of the tab key."""

import click


@click.command("completion")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def command(shell: str) -> None:
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
    completion = kind(entry, {}, "clearwell", "_CLEARWELL_COMPLETE")
    # completion.source() would check the version of the bash on this machine, which may not be the user's.
    click.echo(completion.source_template % completion.source_vars())
