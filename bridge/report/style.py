"""How the report looks, on a screen and on paper: a notebook's page, with nothing from elsewhere."""

STYLE = """
:root { color-scheme: light; }
html { background: #fff; color: #26302d; }
body { font: 15px/1.45 "DejaVu Sans", "Liberation Sans", Verdana, sans-serif; max-width: 46rem;
  margin: 0 auto; padding: 1.2rem; }
h1 { font-size: 1.7rem; margin: 0 0 .2rem; }
h2 { font-size: 1.3rem; margin: 2.2rem 0 .4rem; border-bottom: 2px solid #26302d; padding-bottom: .15rem; }
h3 { font-size: 1.05rem; margin: 1.5rem 0 .3rem; }
h4 { font-size: .95rem; margin: 1.1rem 0 .2rem; }
p, ul { margin: .35rem 0 .6rem; }
.span { color: #4a5652; margin: 0; }
.caution { border: 1px solid #26302d; border-left-width: 6px; padding: .4rem .8rem; margin: 1rem 0; }
.note { color: #4a5652; font-size: .88em; }
table { border-collapse: collapse; width: 100%; margin: .5rem 0 1rem; font-size: .88em; }
caption { text-align: left; font-weight: bold; padding: .2rem 0; }
th, td { text-align: left; vertical-align: top; padding: .18rem .4rem;
  border-bottom: 1px solid #cdd4d1; overflow-wrap: break-word; }
thead th { border-bottom: 1.5px solid #26302d; font-weight: bold; }
tbody th { font-weight: normal; }
th:first-child, td:first-child { padding-left: 0; }
time, data { white-space: nowrap; }
.number { text-align: right; font-variant-numeric: tabular-nums; }
.glance tbody th { width: 45%; }
tr.total th, tr.total td { border-top: 1.5px solid #26302d; }
figure { margin: .6rem 0 1rem; }
figure svg { width: 100%; height: auto; display: block; }
svg * { stroke-linejoin: round; stroke-linecap: butt; }
svg text { font-family: "DejaVu Sans", "Liberation Sans", Verdana, sans-serif; }
figcaption { font-size: .85em; color: #4a5652; }
footer { margin-top: 2.5rem; font-size: .85em; }
.scroll { overflow-x: auto; }

@page {
  margin: 18mm 17mm 17mm;
  @bottom-left { content: string(report-name); font: 8pt "DejaVu Sans", sans-serif; color: #4a5652; }
  @bottom-right { content: counter(page) " / " counter(pages); font: 8pt "DejaVu Sans", sans-serif;
    color: #4a5652; }
}
@media print {
  body { font-size: 9.5pt; max-width: none; padding: 0; }
  h1 { string-set: report-name content(); }
  h2, h3, h4, caption { break-after: avoid; }
  .reservoir + .reservoir { break-before: page; }
  figure, tr, .caution, li, .together { break-inside: avoid; }
  thead { display: table-header-group; }
  .scroll { overflow: visible; }
  p { orphans: 3; widows: 3; }
  a { color: inherit; text-decoration: none; }
}
"""
"""``@page`` names no size: whatever paper is in the printer is right."""
