"""How the page looks: a log sheet on paper. Rules, tables, white, black ink, and one pencil.

The pencil is the one colour. It marks only what needs somebody; where all is well the sheet is black
and white. Everything that it marks is said in words and by a shape as well.
"""

from typing import Final

from backupkeeper.report.html import Shape, shape_url
from backupkeeper.report.page_tables import LABELS

_SHAPES: Final = "".join(
    f'td.{one}::before {{ -webkit-mask-image: url("{shape_url(one)}"); mask-image: url("{shape_url(one)}"); }}\n'
    for one in Shape
)

PAGE_STYLE: Final = (
    """
:root {
  --ground: #fdfdfb; --sheet: #fdfdfb; --ink: #1b1d1f; --quiet: #595e62; --rule: #cfcfc8;
  --pencil: #a3271b; --good: var(--ink); --warn: var(--pencil); --bad: var(--pencil);
  --wash: #e2e2dc; --wide: 66rem;
}
@media (prefers-color-scheme: dark) {
  :root {
    --ground: #141618; --sheet: #141618; --ink: #e6e6e1; --quiet: #a4a9ab; --rule: #3b4043;
    --pencil: #f2917f; --wash: #33383b;
  }
}
html { scroll-behavior: auto; }
h1, h2, .title, .shoot { font-family: Charter, Georgia, "DejaVu Serif", serif; }
.page-head { display: flex; flex-wrap: wrap; justify-content: space-between; gap: 0 2rem;
  align-items: baseline; padding: 0 0 0.4rem; margin-top: 1.2rem; border-bottom: 3px solid var(--ink); }
.title { font-size: 1rem; font-weight: 600; }
.made { color: var(--quiet); font-size: 0.9rem; font-variant-numeric: tabular-nums; }
.page-head, .page-foot { width: calc(100% - 2 * var(--gap)); max-width: calc(var(--wide) - 2 * var(--gap)); }
main { padding-top: 0; }
.page-foot { padding: 0.6rem 0 2rem; border-top: 3px solid var(--ink); color: var(--quiet); font-size: 0.9rem; }
section { margin: 0 0 2.6rem; }
section + section > h2:first-child, nav + section > h2:first-child { border-top: 1px solid var(--ink); padding-top: 0.6rem; }
h2 { font-size: 1.3rem; font-weight: 600; margin: 0 0 0.7rem; }
h3 { margin: 1.6rem 0 0.4rem; }
.on-paper { display: none; }
.skip { position: absolute; left: -999rem; }
.skip:focus { position: static; display: block; padding: 0.6rem; text-align: center; }
#answer { margin: 1.6rem 0 1.8rem; }
#answer:focus { outline: none; }
.worry { font-size: 1.05rem; margin: 0 0 0.3rem; }
h1 { font-size: clamp(1.9rem, 4.6vw, 2.7rem); font-weight: 600; line-height: 1.12; letter-spacing: -0.01em;
  margin: 0 0 1.4rem; text-wrap: balance; }
.tally { display: grid; grid-template-columns: repeat(3, 1fr); gap: 0; margin: 0;
  border: 1px solid var(--ink); }
.tally > div { padding: 0.5rem 0.9rem 0.7rem; border-left: 1px solid var(--ink); }
.tally > div:first-child { border-left: 0; }
.tally dt { font-size: 0.85rem; }
.tally dd { line-height: 1.35; margin: 0; }
.under { display: block; color: var(--quiet); font-size: 0.85rem; font-weight: 400; }
.steps { list-style: none; counter-reset: step; padding: 0; margin: 0 0 1.2rem; }
.steps li { counter-increment: step; position: relative; padding: 0.7rem 0 0.8rem 2.4rem;
  border-bottom: 1px solid var(--rule); }
.steps li:first-child { border-top: 1px solid var(--rule); }
.steps li::before { content: counter(step); position: absolute; left: 0.2rem; top: 0.55rem;
  font: 600 1.3rem/1.3 Charter, Georgia, "DejaVu Serif", serif; }
.steps .what { font-size: 1.05rem; margin-right: 0.5rem; }
.steps .state { white-space: nowrap; font-size: 0.9rem; }
.type { display: inline-block; padding: 0.1rem 0.5rem; border: 1px solid var(--rule); }
.steps .type { display: table; margin-top: 0.4rem; }
.contents { margin: 0 0 2.4rem; font-size: 0.9rem; }
.contents ul { display: flex; flex-wrap: wrap; gap: 0 1.3rem; padding: 0; margin: 0; list-style: none; }
.contents a { display: inline-block; padding: 0.25rem 0; color: var(--quiet); text-underline-offset: 0.2em; }
table { font-size: 0.9rem; line-height: 1.4; }
thead th { border-bottom: 1px solid var(--ink); font-size: 0.85rem; vertical-align: bottom; }
.tally dt::first-letter { text-transform: uppercase; }
tbody th { font-weight: 500; }
th:last-child, td:last-child { padding-right: 0; }

thead th { overflow-wrap: normal; }
.short tr > :nth-child(2) { min-width: 5rem; } .deeds td { min-width: 8rem; }
.drives td .state { white-space: nowrap; }
.drives tr > :first-child, .buckets tr > :first-child { min-width: 6.5rem; } .drives td, .buckets td, .harms td { min-width: 5.5rem; }
.n, time, td.full, .shoot-rolls td:nth-child(4) { white-space: nowrap; }
.rows .unseen, .unseen { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); white-space: nowrap; }
td:is(.full, .part, .empty, .cross, .dash)::before { content: "" !important; color: inherit !important; display: inline-block;
  width: 0.75em; height: 0.75em; margin-right: 0.45em;
  padding: 0.035em; background: currentColor content-box; print-color-adjust: exact; forced-color-adjust: none;
  -webkit-mask: center / 100% 100% no-repeat; mask: center / 100% 100% no-repeat; }
.gap { color: var(--pencil); font-weight: 600; }
"""
    + _SHAPES
    + """
details { margin: 0; border-bottom: 1px solid var(--rule); }
details > summary { padding: 0.55rem 0; }
details[open] > summary { padding-bottom: 0.3rem; }
.shoot { font-size: 1.05rem; font-weight: 600; margin-right: 0.5rem; }
summary .quiet { margin-right: 0.8rem; font-size: 0.9rem; }
summary .state { font-size: 0.9rem; white-space: nowrap; }
summary .state.good { font-weight: 400; }
.of th { padding-top: 1rem; font-weight: 400; } .of .state { font-size: 0.9rem; margin-left: 0.6rem; }
details > table { margin: 0 0 1.2rem 1.1rem; width: calc(100% - 1.1rem); }
.shoot-rolls tr > :is(:nth-child(2), :nth-child(3)) { text-align: right; padding-right: 1.4rem; white-space: nowrap; }
.shoot-rolls th:first-child { width: 24%; } .shoot-rolls tr > :nth-child(n + 5) { width: 17%; }
.short th:first-child { width: 22%; } .short tr > :nth-child(n + 4) { width: 20%; }
.arrival { font-size: 1.05rem; }
.panels { display: grid; grid-template-columns: repeat(auto-fit, minmax(15rem, 1fr)); gap: 1.2rem 2rem; }
.panels svg { width: 100%; max-width: 26rem; height: auto; overflow: visible; }
.axis { font: 11px/1 system-ui, "DejaVu Sans", sans-serif; fill: var(--quiet); }
.axis.strong { fill: var(--ink); font-weight: 600; font-size: 12px; }
.hair { stroke: var(--rule); stroke-width: 1; stroke-dasharray: 2 3; }
.base { stroke: var(--ink); stroke-width: 1; }
.area { fill: var(--wash); }
.taken { fill: none; stroke: var(--ink); stroke-width: 1.5; }
.bar { fill: var(--ink); } .hollow { fill: none; stroke: var(--pencil); stroke-width: 1.5; }
.numbers { max-width: 44rem; } .numbers .n, .numbers thead th:nth-child(n + 3) { text-align: right; }
.frames { list-style: none; padding: 0; margin: 0.4rem 0 1.4rem; display: grid;
  grid-template-columns: repeat(auto-fill, minmax(9.4rem, 1fr)); gap: 1.1rem 1rem; }
.frames li { display: flex; flex-direction: column; font-size: 0.9rem; line-height: 1.35; min-width: 0; }
.frames img, .blank { width: 100%; height: auto; aspect-ratio: 16 / 9; object-fit: contain; background: var(--wash); }
.blank { display: flex; align-items: center; justify-content: center; padding: 0.6rem; text-align: center;
  background: none; border: 1px dashed var(--quiet); color: var(--quiet); }
.frames .file { margin-top: 0.3rem; font-weight: 600; }
.legend { grid-template-columns: 1fr; gap: 0; }
.legend > div { display: grid; grid-template-columns: 12.5rem 1fr; padding: 0.25rem 0; }
.legend .state { color: var(--ink); font-weight: 500; } .legend dd { color: var(--quiet); }
@media (max-width: 40rem) {
  .tally { grid-template-columns: 1fr; } .tally > div { border-left: 0; border-top: 1px solid var(--ink); }
  .tally > div:first-child { border-top: 0; }
  .tally > div { display: grid; grid-template-columns: 5.2rem 1fr; padding: 0.4rem 0.6rem 0.5rem; }
  .tally dt { padding-top: 0.1rem; }
  details > table { margin-left: 0; width: 100%; }
  .rows th:first-child, .rows td { width: auto !important; }
  .rows th { font-size: 1rem; font-weight: 600; }
  .rows td { position: relative; padding-left: 8rem !important; text-align: left !important; min-height: 1.6em; }
  .rows td:not(.full, .part, .empty, .cross, .dash)::before { content: none; }
  .rows td::after { position: absolute; left: 0; top: 0.1em; color: var(--quiet); font-weight: 400; }
"""
    + LABELS
    + """
  .numbers { font-size: 0.72rem; }
  .numbers :is(th, td) { padding-right: 0.4em; white-space: normal; overflow-wrap: anywhere; }
  .drives td .state, td.full { white-space: normal; }
  .frames { grid-template-columns: repeat(2, minmax(0, 1fr)); }
  .legend > div { grid-template-columns: 1fr; }
}
@media (prefers-reduced-motion: no-preference) { html { scroll-behavior: smooth; } }
@media print {
  :root { --ground: #fff; --sheet: #fff; --ink: #000; --quiet: #333; --rule: #999; --pencil: #000;
    --wash: #ddd; }
  .skip { display: none; } .on-paper { display: block; }
  body { background: #fff; }
  section { margin-bottom: 1.4rem; }
  .page-head, .page-foot { width: 100%; max-width: none; margin-top: 0; }
  table { break-inside: avoid; }
  .shoot-rolls tr > :is(:nth-child(2), :nth-child(3)) { padding-right: 0.8rem; }
  h1 { font-size: 24pt; }
  .tally, .steps li, .frames li, .panels svg, details:not([open]), .legend > div { break-inside: avoid; }
  summary { break-after: avoid; list-style: none; }
  details:not([open]) > summary::after { content: "(folded)"; color: #333; font-size: 8pt; margin-left: 0.6rem; }
  .frames { grid-template-columns: repeat(4, 1fr); }
  .panels { grid-template-columns: repeat(3, 1fr); }
  table { font-size: 8.5pt; }
}
"""
)
"""CSS of the page, after ``html.STYLE``."""
