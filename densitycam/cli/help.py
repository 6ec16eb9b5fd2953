"""`densitycam help`: the guide, topic by topic."""

from __future__ import annotations

import sys

import click


def _completed(ctx: click.Context, param: click.Parameter, begun: str) -> list[str]:
    from densitycam.report.guide import TOPICS

    return [name for name in TOPICS if name.startswith(begun)]


@click.command("help", short_help="The guide: first steps, the daily round, the method, cautions.")
@click.argument("topic", required=False, shell_complete=_completed)
def command(topic: str | None) -> None:
    """Show TOPIC of the guide, or without one what there is.

    \b
    densitycam help
    densitycam help begin
    densitycam help care | less
    """  # noqa: D301
    from densitycam.report.guide import TOPICS, topic_text

    if topic is None:
        click.echo("densitycam help TOPIC shows one of these:\n")
        for each in TOPICS.values():
            click.echo(f"  {each.id:<10} {each.summary}")
        click.echo("\nEach command explains itself: densitycam COMMAND --help")
        return
    text = topic_text(topic.lower())
    if sys.stdout.isatty():
        click.echo_via_pager(f"{text}\n")
    else:
        click.echo(text)
