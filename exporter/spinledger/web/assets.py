"""How the pages look, their one script, and the policy that forbids all else.

Rules: inline, and admitted by their hashes; every page works without the script. Colours have a
light and a dark set; print is light. The script updates the page once a minute, unless it is in
use, shows the time under pointer or finger, and unfolds findings for print.

Colours are those of M. Okabe and K. Ito, "Color Universal Design" (2008), as given in B. Wong,
"Points of view: Color blindness", Nature Methods 8 (2011), 441: orange E69F00, sky blue 56B4E9,
bluish green 009E73, blue 0072B2, vermillion D55E00, reddish purple CC79A7.
"""

from __future__ import annotations

import base64
import hashlib

STYLE = """
:root { color-scheme: light dark; --ground: #fff; --text: #1b1b1b; --soft: #595959;
 --line: #c9c9c9; --quiet: #e4e9f1; --spin: #e69f00; --active: #d55e00; --sleep: #0072b2;
 --unknown: #cc79a7; --bad: #a84600; --good: #009e73; }
@media (prefers-color-scheme: dark) { :root { --ground: #16181c; --text: #ececec; --soft: #b0b0b0;
 --line: #4a4d55; --quiet: #333d52; --sleep: #56b4e9; --bad: #ff9a55; } }
* { box-sizing: border-box; }
body { font: 1rem/1.45 system-ui, sans-serif; margin: 0 auto; max-width: 84rem; padding: 1rem;
 color: var(--text); background: var(--ground); }
h1, h2, h3, p, dl, dd, ul, ol, table { margin: 0; padding: 0; }
h1 { font-size: 1.3rem; } h2 { font-size: 1.1rem; margin: 1.6rem 0 .4rem; } h3 { font-size: 1rem; }
a { color: inherit; text-underline-offset: .15em; }
a:focus-visible, [tabindex]:focus-visible, summary:focus-visible, button:focus-visible {
 outline: 3px solid var(--sleep); outline-offset: 2px; }
header { display: flex; flex-wrap: wrap; gap: .25rem 1.5rem; align-items: baseline; }
header p { flex: 1 1 20rem; } .soft { color: var(--soft); } small { font-size: .85rem; }
.skip { position: absolute; left: -99rem; } .skip:focus { left: 1rem; top: 0;
 background: var(--ground); padding: .5rem; z-index: 2; }
button { font: inherit; color: inherit; background: none; border: 1px solid var(--soft);
 border-radius: .3rem; padding: .15rem .7rem; }
.found { border-left: .35rem solid var(--active); padding: .4rem .8rem; margin: .5rem 0; }
.found dl { margin-top: .35rem; max-width: 70ch; } .found dt { font-weight: 600; }
.found dd { overflow-wrap: anywhere; } summary { cursor: pointer; }
.choices { display: flex; flex-wrap: wrap; gap: .4rem 2rem; margin-top: 1.6rem; }
nav.range { display: flex; flex-wrap: wrap; gap: .4rem; align-items: baseline; }
nav.range a { padding: .2rem .7rem; border: 1px solid var(--soft); border-radius: .3rem;
 text-decoration: none; }
nav.range a[aria-current] { background: var(--text); color: var(--ground); }
.nights { margin-top: .8rem; } .night { font-size: 1.2rem; font-weight: 600; }
.short { margin: .3rem 0 .6rem; } .short li { border-left: .35rem solid var(--active);
 padding: .1rem .8rem; margin: .3rem 0; } .first { color: var(--soft); }
.text { max-width: 75ch; overflow-wrap: anywhere; }
.text p, .text li, .text pre { margin: .5rem 0; }
.text ul, .text ol { padding-left: 1.6rem; } .text ol { list-style: decimal; }
.text pre { border-left: .2rem solid var(--line); padding: .3rem .7rem; white-space: pre-wrap;
 overflow-wrap: anywhere; font-size: .9rem; }
details h2 { display: inline; } code { overflow-wrap: anywhere; }
.key { display: flex; flex-wrap: wrap; gap: .1rem 1.1rem; list-style: none; margin: .7rem 0 0;
 font-size: .85rem; }
.key svg, .glyph { width: 1.5rem; height: .95rem; vertical-align: -.12rem; margin-right: .35rem;
 overflow: visible; }
.row { display: grid; grid-template-columns: 15rem minmax(0, 1fr) 12rem; gap: 0 1rem;
 align-items: center; padding: .25rem 0; border-top: 1px solid var(--line); }
.row.head { border: 0; padding: 0; } ol { list-style: none; }
.name { overflow-wrap: anywhere; } .name > * { display: block; } .name h3 { line-height: 1.25; }
.figures { font-size: .85rem; } .figures b { font-size: 1rem; } .figures > * { display: block; }
.bad { color: var(--bad); font-weight: 600; }
.strip, .axis, .meter, .curve, .chart { display: block; } .chart { overflow: visible; }
.strip { width: 100%; height: 3.2rem; touch-action: pan-y; border-bottom: 1px solid var(--soft); }
.axis { width: 100%; height: 20px; overflow: visible; } .axis text { text-anchor: middle;
 font-size: 12px; } .axis line { stroke: var(--soft); } svg text { fill: var(--text); }
.meter { width: 100%; height: .45rem; margin: .1rem 0; }
.q { fill: var(--quiet); } .t { fill: var(--spin); } .a { fill: var(--active); }
.z { fill: var(--sleep); } .u { fill: url(#hatch); }
.t, .u { stroke: var(--text); stroke-width: .7px; vector-effect: non-scaling-stroke; }
.n { stroke: var(--soft); stroke-width: 2px; stroke-dasharray: 2 4; fill: none;
 vector-effect: non-scaling-stroke; }
p.strip { display: flex; align-items: center; font-size: .85rem; }
.w { fill: var(--soft); stroke: var(--soft); stroke-width: .8px;
 vector-effect: non-scaling-stroke; }
.k { fill: url(#comb); } .key .w { stroke-width: 1.6px; fill: none; }
.curve { width: 6rem; height: 1.75rem; } .chart { width: 100%; max-width: 34rem; }
.chart.wide { max-width: 52rem; } .chart text { font-size: 11px; paint-order: stroke;
 stroke: var(--ground); stroke-width: 3px; }
.chart.wide text { font-size: 10px; }
.c { fill: none; stroke: var(--sleep); stroke-width: 2px; } .d { fill: var(--sleep); }
.b { fill: none; stroke: var(--bad); stroke-width: 1.4px; stroke-dasharray: 6 3; }
.p { fill: none; stroke: var(--text); stroke-width: 1.2px; stroke-dasharray: 1.5 2.5; }
.x { fill: var(--text); } .g { stroke: var(--line); } .r { fill: var(--line); }
.i { fill: var(--sleep); } .o { fill: var(--active); } .axis .o { fill: var(--text); }
.wide-table { overflow-x: auto; } table { border-collapse: collapse; font-size: .9rem; }
caption { text-align: left; min-width: min(20rem, 80vw); color: var(--soft);
 padding-bottom: .3rem; }
.about { color: var(--soft); font-size: .9rem; max-width: 80ch; } tfoot { font-weight: 600; }
.wide-table + *, section + p { margin-top: .6rem; }
th, td { text-align: left; padding: .25rem .9rem .25rem 0; border-bottom: 1px solid var(--line);
 vertical-align: middle; } td, th[scope=col] { white-space: nowrap; }
td.num, th.num { text-align: right; } .columns { columns: 19rem; font-size: .9rem; }
tbody th { font-weight: 400; overflow-wrap: anywhere; min-width: 9rem; }
.pair tbody th { min-width: 0; }
.pair { display: flex; flex-wrap: wrap; gap: 1rem 2.5rem; align-items: flex-start; }
.pair > * { flex: 1 1 min(20rem, 100%); min-width: 0; }
.facts { display: grid; gap: .1rem 1rem;
 grid-template-columns: max-content minmax(0, 1fr); font-size: .9rem; } .facts dd {
 overflow-wrap: anywhere; } .facts dt { color: var(--soft); }
.times { position: relative; } #hair { position: absolute; top: 0; bottom: 0; width: 1px;
 background: var(--text); pointer-events: none; } #hair span { position: absolute; top: -1.5rem;
 left: 0; transform: translateX(-50%); white-space: nowrap; background: var(--text);
 color: var(--ground); font-size: .8rem; padding: 0 .4rem; border-radius: .2rem; }
.defs { position: absolute; width: 0; height: 0; }
footer { margin-top: 2rem; border-top: 1px solid var(--line); padding-top: .6rem;
 font-size: .85rem; color: var(--soft); } footer ul { padding-left: 1.2rem; }
.dense .row { padding: 0; grid-template-columns: 17rem minmax(0, 1fr) 23rem; }
.dense .strip { height: 1.5rem; } .dense h2 { margin: .5rem 0 0; font-size: 1rem; }
.dense .name > *, .dense .figures > * { display: inline-block; margin-right: .5rem; }
.dense .name h3, .dense .figures b { font-size: .9rem; }
@media (max-width: 60rem) { .axis .o { display: none; }
 .dense .row { grid-template-columns: 13rem minmax(0, 1fr) 13rem; } }
@media (max-width: 46rem) {
 .row, .dense .row { grid-template-columns: minmax(0, 1fr) 9.5rem; }
 .row .strip, .row.head .axis { grid-column: 1 / -1; grid-row: 2; }
 .row.head > :not(.axis) { display: none; }
 .facts { grid-template-columns: 45% minmax(0, 1fr); }
 .chart text { font-size: 13px; } .chart.wide text { font-size: 19px; }
 .chart.wide .v { display: none; } tbody th { min-width: 0; } }
@media (max-width: 72rem) { td, th[scope=col] { white-space: normal; } }
@media screen and (max-width: 64rem) { .wide-table thead { display: none; }
 .wide-table :is(table, tbody, tfoot, tr, th) { display: block; } .wide-table td:empty {
 display: none; } .wide-table tr { border-bottom: 1px solid var(--line); padding: .3rem 0; }
 .wide-table :is(th, td) { border: 0; padding: 0 1rem 0 0; white-space: normal; }
 .wide-table td { display: inline-block; text-align: left; }
 .wide-table td > svg { display: inline-block; vertical-align: middle; }
 .wide-table td::before { content: attr(data-title) ": "; color: var(--soft); } }
@media print { :root { color-scheme: light; --ground: #fff; --text: #000; --soft: #444;
 --line: #999; --quiet: #e4e9f1; --sleep: #0072b2; --bad: #a84600; }
 body { max-width: none; padding: 0; font-size: 10pt; } nav.range, button, .skip, #hair, footer {
 display: none; } .row, .found, tr { break-inside: avoid; } .axis .o { display: none; }
 .row { grid-template-columns: 11rem minmax(0, 1fr) 9.5rem; } .wide-table { overflow: visible; }
 table { font-size: 8pt; } th, td { padding-right: .6rem; white-space: normal; }
 tbody th { min-width: 6rem; } .curve { width: 4rem; }
 * { print-color-adjust: exact; -webkit-print-color-adjust: exact; } }
@media (forced-colors: active) {
 nav.range a[aria-current] { forced-color-adjust: none; background: Highlight;
 color: HighlightText; }
 svg { forced-color-adjust: none; background: var(--ground); } }
"""

SCRIPT = """
(() => {
  const words = { t: "spinning", z: "asleep", u: "unknown", n: "unobserved" };
  const zone = document.documentElement.dataset.zone;
  let clock;
  try {
    clock = new Intl.DateTimeFormat("en-GB", { timeZone: zone, weekday: "short", day: "numeric",
      month: "short", hour: "2-digit", minute: "2-digit" });
  } catch { clock = new Intl.DateTimeFormat("en-GB", { timeZone: "UTC", dateStyle: "medium",
    timeStyle: "short" }); }
  const hair = document.createElement("div");
  hair.id = "hair";
  hair.ariaHidden = "true";
  hair.append(document.createElement("span"));
  const read = (event) => {
    const strip = event.target.closest && event.target.closest(".strip");
    if (!strip) { hair.remove(); return; }
    const times = strip.closest(".times");
    const box = strip.getBoundingClientRect();
    const share = (event.clientX - box.left) / box.width;
    const at = +times.dataset.from + share * (times.dataset.to - times.dataset.from);
    const point = strip.createSVGPoint();
    point.x = share * strip.viewBox.baseVal.width;
    let state = "";
    for (const [name, low] of [["t", 36], ["u", 36], ["z", 40]]) {
      const path = strip.querySelector("path." + name);
      point.y = low;
      if (path && path.isPointInFill(point)) state = words[name];
    }
    const line = strip.querySelector("path.n");
    point.y = 25;
    if (!state && line && line.isPointInStroke(point)) state = words.n;
    hair.firstChild.textContent = clock.format(at) + (state ? ", " + state : "");
    times.append(hair);
    hair.style.left = event.clientX - times.getBoundingClientRect().left + "px";
  };
  document.addEventListener("pointermove", read);
  document.addEventListener("pointerdown", read);
  const folded = [];
  addEventListener("beforeprint", () => {
    for (const one of document.querySelectorAll(".found:not([open])")) {
      folded.push(one);
      one.open = true;
    }
  });
  addEventListener("afterprint", () => { for (const one of folded.splice(0)) one.open = false; });
  if (!document.getElementById("live")) return;
  let on = true;
  const button = document.createElement("button");
  const say = () => { button.textContent = on ? "Pause updates" : "Update every minute"; };
  button.type = "button";
  button.addEventListener("click", () => { on = !on; say(); });
  say();
  document.querySelector("header").append(button);
  setInterval(async () => {
    const live = document.getElementById("live");
    if (!on || document.hidden || live.contains(document.activeElement)) return;
    if (String(getSelection())) return;
    try {
      const answer = await fetch(location.href);
      if (!answer.ok) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      const open = [...live.querySelectorAll("details")].map((one) => [one.id, one.open]);
      live.replaceWith(document.adoptNode(fresh.getElementById("live")));
      for (const [id, was] of open) {
        const one = document.getElementById(id);
        if (one) one.open = was;
      }
    } catch { /* no answer; the page shows its own time */ }
  }, 60000);
})();
"""


def _hash(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


CONTENT_SECURITY_POLICY = (
    f"default-src 'none'; style-src 'sha256-{_hash(STYLE)}'; "
    f"script-src 'sha256-{_hash(SCRIPT)}'; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""Content Security Policy Level 3: the style sheet and the script, by their hashes."""
