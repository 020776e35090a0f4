"use strict";
/* Motifs: by what the mistakes of single games are punished, and one of them with its examples. */

/**
 * @typedef {[string, number, number, number, number, number, number, number, number, number | null, number, number, number, boolean]} CountRow
 * @typedef {{ply: number, side: string, band: string, opening: string, path: Line, reply: Line, sign: string, played: Line, found: boolean,
 *   refutation: Line, better: Line, wins: string}} Example
 * @typedef {{name: string, pattern: string, counts: CountRow[], sign: string, by: string,
 *   openings: {name: string, games: number, of: number, at: string}[], examples: Example[], is_taught: boolean}} Motif
 * @typedef {{games: number, columns: string[], list: Motif[]}} Motifs
 * @typedef {{band: string, per_100: number, low: number, high: number, games: number, players: number, scanned: number, found: number,
 *   chances: number, finds: number | null, gain: number, costs: number, costsLow: number, isListed: boolean}} MotifCount
 */

/** @param {CountRow} row @returns {MotifCount} */
function countOf([band, per_100, low, high, games, players, scanned, found, chances, finds, gain, costs, costsLow, isListed]) {
  return { band, per_100, low, high, games, players, scanned, found, chances, finds, gain, costs, costsLow, isListed };
}

/** The band for which motifs are told: the chosen one, or those of the page together. @param {Page} page @returns {string} */
function motifBand(page) {
  return page.state.band || (page.bands.includes(page.group) ? page.group : "all");
}

/** @param {Motif} motif @param {string} band @returns {MotifCount | null} */
function countIn(motif, band) {
  const row = motif.counts.find((one) => one[0] === band);
  return row ? countOf(row) : null;
}

/** The motifs of a band that are listed, what costs most first. @param {Page} page @param {string} band @returns {{motif: Motif, count: MotifCount}[]} */
function motifsOf(page, band) {
  const list = page.contents.motifs ? page.contents.motifs.list : [];
  return list.flatMap((motif) => {
    const count = countIn(motif, band);
    return count?.isListed ? [{ motif, count }] : [];
  }).sort((a, b) => b.count.costsLow - a.count.costsLow || (a.motif.name < b.motif.name ? -1 : 1));
}

/** @param {Page} page @param {string} name @returns {string} */
function motifLink(page, name) {
  return page.link({ view: "motif", id: name, at: "" });
}

/** The whole list. @param {Page} page @returns {HTMLElement} */
function motifsView(page) {
  const band = motifBand(page), told = motifsOf(page, band);
  const games = page.contents.motifs ? page.contents.motifs.games : 0;
  const scanned = told.length ? `${count(told[0].count.scanned)} games of ${bandWords(band)} in ${count(games)} scanned, each side's counted` : "";
  return el("section", { "aria-labelledby": "motifs-title" },
    el("h2", { id: "motifs-title", tabindex: -1 }, "Motifs"),
    el("p", {}, told.length
      ? `By what mistakes are punished, whatever the position: in ${scanned}. What surely costs ${bandWords(band)} most, by the lower bound, stands first. Nothing is told of fewer than five players.`
      : `No motif that five ${bandWords(band)} fell for in the scanned games.`),
    el("div", { class: "filters no-print" }, el("div", {}, el("label", { for: "motif-band" }, "Band"),
      el("select", { id: "motif-band", onchange: (/** @type {Event} */ event) => page.go({ band: valueIn(event) }) },
        ...[["", groupWords(page)], ...page.bands.map(pair)].map(([value, words]) => el("option", { value, selected: value === page.state.band }, words))))),
    ...(told.length ? [motifTable(page, told, band)] : []));
}

/** @param {Page} page @param {{motif: Motif, count: MotifCount}[]} told @param {string} band @returns {HTMLElement} */
function motifTable(page, told, band) {
  const heads = ["Of 100 games, each side's counted", "By band", "Found by", "Costs"];
  return el("table", { class: "list motifs" },
    el("caption", { class: "unseen" }, "Motifs with their numbers"),
    el("thead", {}, el("tr", {}, el("td", { class: "picture" }), el("th", { class: "words", scope: "col" }, "Motif"), ...heads.map((name) => el("th", { scope: "col" }, name)))),
    el("tbody", {}, ...told.map(({ motif, count: one }, at) => el("tr", {},
      el("td", { class: "picture" }, motif.examples.length ? exampleDiagram(motif.examples[0]) : null),
      el("td", { class: "words" },
        el("div", { class: "title" }, el("span", { class: "number" }, `${at + 1}. `), el("a", { href: motifLink(page, motif.name) }, capital(motif.name))),
        el("div", { class: "small quiet" }, motif.sign)),
      el("td", { "data-name": heads[0] }, one.per_100.toFixed(1), el("span", { class: "interval" }, ` (${one.low.toFixed(1)}–${one.high.toFixed(1)})`), el("div", { class: "small quiet" }, playersIn(one))),
      el("td", { "data-name": heads[1], class: "bands" }, bandBars(page, motif, band)),
      el("td", { "data-name": heads[2] }, findsWords(one)),
      el("td", { "data-name": heads[3] }, `${one.costs.toFixed(1)} points`)))));
}

/** @param {MotifCount} one @returns {string} */
function playersIn(one) {
  return `${count(one.games)} of ${count(one.scanned)} games, ${count(one.players)} players`;
}

/** @param {MotifCount} one @returns {string} */
function findsWords(one) {
  return one.finds === null ? "–" : `${percent(one.finds)} (${count(one.found)} of ${count(one.chances)})`;
}

/** Small bars, one for each band of the page, the chosen one dark; none where too few fell for it. @param {Page} page @param {Motif} motif @param {string} band @returns {SVGElement} */
function bandBars(page, motif, band) {
  const rows = page.bands.map((name) => countIn(motif, name));
  const most = Math.max(1e-9, ...rows.map((row) => (row ? row.per_100 : 0)));
  const wide = 100 / Math.max(1, page.bands.length);
  const words = rows.flatMap((row) => (row ? [`${row.band} ${row.per_100.toFixed(1)}`] : [])).join(", ") || "too few players in any band";
  return svg("svg", { class: "band-bars", viewBox: "0 0 100 24", preserveAspectRatio: "none", role: "img", "aria-label": `Of 100 games, each side's counted, by band: ${words}` },
    svg("line", { class: "rule", x1: 0, x2: 100, y1: 23.5, y2: 23.5 }),
    ...rows.flatMap((row, at) => row ? [svg("rect", { class: row.band === band ? "bar this-band" : "bar", x: (at * wide + wide * 0.12).toFixed(2), width: (wide * 0.76).toFixed(2), y: (23 - 22 * row.per_100 / most).toFixed(2), height: (22 * row.per_100 / most).toFixed(2) })] : []));
}

/** @param {Example} example @returns {Board} */
function exampleBoard(example) {
  return afterMoves(boardOf(START), split(example.path.uci));
}

/** @param {Example} example @returns {SVGElement} */
function exampleDiagram(example) {
  return diagram(exampleBoard(example), { bottom: example.side, arrow: markOf(example.reply.uci), coordinates: false, label: `Diagram before ${moveNumber(example.ply, true)}${example.reply.san}` });
}

/** One motif. @param {Page} page @param {Motif} motif @returns {HTMLElement} */
function motifView(page, motif) {
  const one = countIn(motif, motifBand(page)) || countIn(motif, "all");
  const steppers = motif.examples.map((example, at) => exampleStepper(example, at + 1));
  if (steppers.length) stepping = steppers[0];
  return el("article", { "aria-labelledby": "motif-title" },
    el("div", { class: "trail no-print" }, el("a", { class: "button", id: "back", href: page.link({ view: "motifs", id: "" }) }, "Back to the motifs")),
    el("h2", { id: "motif-title", tabindex: -1 }, capital(motif.name)),
    ...(one ? [el("p", { class: "lead" }, numbersOf(one))] : []),
    ...(motif.sign ? [el("p", {}, motif.sign)] : []),
    ...(motif.by ? [el("p", {}, `The error before it: ${motif.by}.`)] : []),
    ...curvePart(page, motif), ...openingsPart(page, motif),
    ...(steppers.length ? [el("h3", {}, "Examples"), el("div", { class: "examples" }, ...steppers.map((stepper, at) => el("div", {}, el("p", { class: "small quiet" }, exampleWords(motif.examples[at])), stepper.element)))] : []),
    ...(motif.is_taught ? [el("h3", { class: "no-print" }, "Make a sheet from it"), el("p", { class: "no-print" }, ...lessonCommand(`--motif "${motif.name}"`))] : []));
}

/** @param {MotifCount} one @returns {string} */
function numbersOf(one) {
  const found = one.finds === null ? "" : ` In ${count(one.chances)} games they had such a chance, and took the first one in ${count(one.found)} of them (${percent(one.finds)}).`;
  return `In ${one.per_100.toFixed(1)} of 100 games, each side's counted (${one.low.toFixed(1)} to ${one.high.toFixed(1)}; ${playersIn(one)}) ${bandWords(one.band)} fall for it.${found} Together that costs them ${one.costs.toFixed(1)} points in 100 games.`;
}

/** How often each band falls for it. @param {Page} page @param {Motif} motif @returns {HTMLElement[]} */
function curvePart(page, motif) {
  const rows = page.bands.flatMap((name) => countIn(motif, name) || []);
  if (!rows.length) return [];
  return [el("h3", {}, "How often, by rating"),
    shareTable("Rating band", rows.map((row) => ({ name: row.band, games: row.games, at: row.scanned, rate: row.per_100 / 100, low: row.low / 100, high: row.high / 100, isThis: row.band === motifBand(page) })), "Share of games in which players of the band fall for it, with its interval", "games, each side's")];
}

/** Where it arises; each opening leads to its place on the map. @param {Page} page @param {Motif} motif @returns {HTMLElement[]} */
function openingsPart(page, motif) {
  if (!motif.openings.length) return [];
  return [el("h3", {}, "Openings in which it arises"),
    el("ul", { class: "elsewhere" }, ...motif.openings.map((one) => el("li", {},
      one.at ? el("a", { href: page.link({ view: "map", id: "", at: one.at }) }, one.name) : one.name, ` ${percent(one.games / one.of)} (${count(one.games)} of ${count(one.of)})`)))];
}

/** @param {Example} example @returns {string} */
function exampleWords(example) {
  return [example.opening, `${capital(bandWords(example.band))} erred`, example.wins && example.wins !== "mate" ? `${capital(example.side)} wins ${example.wins}` : ""].filter(Boolean).join("; ");
}

/** What was played first, then what punishes it, and what was better. @param {Example} example @param {number} number @returns {Stepper} */
function exampleStepper(example, number) {
  const way = stepsOf(example.path, 0, "way");
  const [reply] = stepsOf(example.reply, example.ply, "key");
  reply.san += example.sign;
  const played = stepsOf(example.played, example.ply + 1, "");
  /** @type {StepLine[]} */
  const lines = [{ name: "What punishes it", steps: [...way, reply, ...stepsOf(example.refutation, example.ply + 1, "")] },
    { name: "What was better", steps: [...way, ...stepsOf(example.better, example.ply, "")] }];
  if (played.length && !example.found) lines.unshift({ name: "What was played: the chance was missed", steps: [...way, reply, ...played] });
  return new Stepper(lines, { bottom: example.side, at: example.ply, arrow: true, label: `example ${number}` });
}

/** The motifs that games through a box of the map bring. @param {Page} page @param {number} number @returns {HTMLElement[]} */
function broughtPart(page, number) {
  const told = page.contents.map.motifs[number];
  const list = page.contents.motifs ? page.contents.motifs.list : [];
  if (!told) return [];
  const [games, met] = told;
  return [el("p", { class: "count" }, `Motifs in ${count(games)} scanned games through it, each counted once, whichever side falls for it:`),
    el("ul", { class: "below" }, ...met.map(([place, of]) => el("li", {}, el("a", { href: motifLink(page, list[place].name) }, list[place].name), ` ${percent(of / games)} (${count(of)})`)))];
}
