"""Draws the growth of each cost, as one picture with a panel for each curve."""

from pathlib import Path


def draw(series: dict[str, list[tuple[float, float]]], directory: Path) -> Path:
    """Writes ``growth.png`` into a directory, and creates a missing directory."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    directory.mkdir(parents=True, exist_ok=True)
    columns = 3
    rows = max(1, -(-len(series) // columns))
    figure, axes = pyplot.subplots(rows, columns, figsize=(5.0 * columns, 3.4 * rows), squeeze=False)
    for axis in axes.flat[len(series) :]:
        axis.set_visible(False)
    for axis, (name, points) in zip(axes.flat, sorted(series.items()), strict=False):
        what, _, by = name.rpartition(", by ")
        axis.plot(*zip(*sorted(points), strict=True), marker="o", markersize=3)
        axis.set_title(what, fontsize=10)
        axis.set_xlabel(by)
        axis.set_ylim(bottom=0.0)
        axis.grid(alpha=0.3)
    figure.tight_layout()
    path = directory / "growth.png"
    figure.savefig(path, dpi=120)
    pyplot.close(figure)
    return path
