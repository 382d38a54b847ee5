"""How the report looks: ink on paper, on a screen and on A4."""

STYLE = """
:root { --ink: #0b1d33; --soft: #5a6472; --line: #aeb5bf; }
* { box-sizing: border-box; }
html { background: #fff; color: var(--ink); }
body { margin: 0 auto; padding: 1.5rem 1.25rem 3rem; max-width: 62rem;
  font: 1rem/1.5 Georgia, "DejaVu Serif", "Liberation Serif", serif; }
h1 { font-size: 1.75rem; line-height: 1.2; margin: 0 0 .3rem; overflow-wrap: anywhere; }
h2 { font-size: 1.25rem; margin: 2.2rem 0 .5rem; padding-top: .35rem;
  border-top: 2px solid var(--ink); }
h3 { font-size: 1.02rem; margin: 1.3rem 0 .3rem; }
p { margin: .5rem 0; max-width: 46rem; }
ul, ol { margin: .5rem 0; padding-left: 1.4rem; max-width: 52rem; }
ol { padding-left: 2.2rem; }
li { margin: .15rem 0; overflow-wrap: anywhere; }
.note { border-left: 4px solid var(--ink); padding: .4rem .8rem; max-width: none; }
.made { color: var(--soft); margin: 0 0 1rem; }
dl { display: grid; grid-template-columns: minmax(8rem, 13rem) 1fr; gap: .2rem 1rem;
  margin: .8rem 0; }
dt { color: var(--soft); }
dd { margin: 0; overflow-wrap: anywhere; }
figure { margin: 1rem 0 1.2rem; }
img { display: block; width: 100%; height: auto; }
figcaption, caption { font-size: .9rem; color: var(--soft); text-align: left; }
figcaption { margin-top: .3rem; }
.wide { overflow-x: auto; margin: .9rem 0 1.2rem; }
table { border-collapse: collapse; font-size: .88rem; line-height: 1.35;
  font-variant-numeric: tabular-nums; }
caption { padding-bottom: .3rem; }
th, td { padding: .2rem .6rem; text-align: right; vertical-align: top; font-weight: normal; }
thead > tr > * { border-top: 1.5px solid var(--ink); border-bottom: 1px solid var(--ink);
  vertical-align: bottom; }
tbody tr:last-child > * { border-bottom: 1.5px solid var(--ink); }
tbody tr.total > * { border-top: 1px solid var(--ink); }
td { white-space: nowrap; }
td.words { white-space: normal; }
th:first-child, td.words, th.words { text-align: left; }
td.words:last-child { min-width: 12rem; overflow-wrap: anywhere; }
td.bar { width: 7rem; min-width: 4.5rem; text-align: left; vertical-align: middle; }
td.bar span { display: block; height: 0; border-top: .6rem solid var(--ink); }
.plan { columns: 15rem 3; column-gap: 1.8rem; }
.plan .wide { margin: 0 0 1rem; break-inside: avoid; }
.plan table { width: 100%; }
.budgets { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(28rem, 100%), 1fr));
  gap: 0 2rem; }
.budgets th { white-space: nowrap; }
@media (max-width: 30rem) {
  dl { grid-template-columns: 1fr; gap: 0; }
  dd { margin-bottom: .4rem; }
}
@page { size: A4; margin: 16mm 15mm 18mm; }
@media print {
  html { font-size: 9.5pt; }
  body { padding: 0; max-width: none; }
  h2, h3, caption, h2 + p, h3 + p { break-after: avoid; }
  figure, p, li, tr, .whole { break-inside: avoid; }
  thead { display: table-header-group; }
  .wide { overflow: visible; }
  th, td { padding: .15rem .4rem; }
  td.words:last-child { min-width: 8rem; }
  .budgets { grid-template-columns: 1fr 1fr; gap: 0 1rem; }
}
"""
