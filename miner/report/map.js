"use strict";
/* The opening map: moves from left to right, as high as they are often played, darker where more is to be gained. */

/**
 * @typedef {{san: string, uci: string, parent: number, ply: number, children: number[]}} MapMove
 * @typedef {{share: number[], gain: number[], below: number[][]}} Weighed per move: share of the band's games, points per
 * 100 games through it, places of the findings at or behind it
 * @typedef {{number: number, x: number, y: number, height: number}} Cell
 */

const GRADES = [0, 2, 5, 15];
const CELL_LEAST = 3;
const MOST_BEHIND = 12;
const ROOT_WIDTH = 34;

/** The moves of the map with their children, the commonest first. @param {Contents} contents @returns {MapMove[]} */
function mapMoves(contents) {
  const { parent, san, uci } = contents.map;
  /** @type {MapMove[]} */
  const moves = san.map((one, at) => ({ san: one, uci: uci[at], parent: parent[at], ply: -1, children: [] }));
  moves.forEach((move, at) => {
    if (at === 0) return;
    move.ply = moves[move.parent].ply + 1;
    moves[move.parent].children.push(at);
  });
  return moves;
}

/** @param {Page} page @param {string} band @param {string} side @returns {Weighed} */
function weigh(page, band, side) {
  const { map } = page.contents;
  const place = page.bands.indexOf(band);
  const games = (/** @type {number[]} */ row) => row.length === 0 ? 0 : place < 0 ? row.reduce((a, b) => a + b, 0) : row[place];
  const share = page.moves.map(() => 0), lost = page.moves.map(() => 0);
  const below = page.moves.map(() => /** @type {number[]} */ ([]));
  share[0] = 1;
  for (let at = 1; at < share.length; at++) {
    const up = page.moves[at].parent, there = games(map.at[up]);
    share[at] = there ? share[up] * games(map.games[at]) / there : 0;
  }
  for (const finding of mapFindings(page, band, side)) {
    const reached = finding.steered_reach * finding.pick_rate;
    // What a trap is worth is so much of each time that it comes up.
    const worth = finding.kind === "trap" ? (reached ? finding.teaching_value / reached : 0) : 100 * finding.gain_for_band;
    for (const at of map.ends[finding.mistake]) {
      lost[at] += share[at] * worth;
      below[at].push(page.findings.indexOf(finding));
    }
  }
  for (let at = share.length - 1; at > 0; at--) {
    lost[page.moves[at].parent] += lost[at];
    below[page.moves[at].parent].push(...below[at]);
  }
  return { share, gain: lost.map((one, at) => share[at] ? one / share[at] : 0), below: below.map((some) => [...new Set(some)]) };
}

/** One finding per mistake and kind: the band's own, or that with most games. @param {Page} page @param {string} band @param {string} side @returns {Finding[]} */
function mapFindings(page, band, side) {
  const wanted = page.findings.filter((one) => one.taught === side && one.band === (band || page.group));
  return onePerMistake(inOrder(wanted, "games_with_reply", false));
}

/** The whole view. @param {Page} page @returns {HTMLElement} */
function mapView(page) {
  const view = el("section", { "aria-labelledby": "map-title" },
    el("h2", { id: "map-title", tabindex: -1 }, "Opening map"),
    el("p", {}, "Each box is a move, as high as it is often played by the chosen band. The darker and the closer hatched, the more points 100 games through it give away to what is in the list. White space stands for rarer moves. Choose a box to look behind it; the first box leads back."),
    el("div", { class: "filters no-print" },
      chooser("side", "Side taught", [["white", "White"], ["black", "Black"]], mapSide(page)),
      chooser("band", "Band", [["", groupWords(page)], ...page.bands.map(pair)], mapBand(page))),
    legend(),
    el("div", { id: "map-place" }));
  return view;

  /** @param {string} name @param {string} label @param {string[][]} choices @param {string} current @returns {HTMLElement} */
  function chooser(name, label, choices, current) {
    return el("div", {}, el("label", { for: `map-${name}` }, label),
      el("select", { id: `map-${name}`, onchange: (/** @type {Event} */ event) => page.go({ [name]: valueIn(event) || (name === "band" ? "all" : "") }) },
        ...choices.map(([value, words]) => el("option", { value, selected: value === current }, words))));
  }
}

/** @param {Page} page @returns {string} */
function mapSide(page) {
  return page.state.side || "white";
}

/** Empty: all bands together. @param {Page} page @returns {string} */
function mapBand(page) {
  return page.state.band === "all" ? "" : page.state.band;
}

/** @returns {HTMLElement} */
function legend() {
  const names = ["nothing", "under 2 points", "2 to 5", "5 to 15", "15 and more"];
  return el("ul", { class: "legend", "aria-label": "Points given away in 100 games through a move" },
    ...names.map((name, grade) => el("li", {}, svg("svg", { class: "map-key map", "aria-hidden": "true", focusable: "false" }, svg("rect", { class: `cell grade-fill-${grade}`, width: "100%", height: "100%" })), name)));
}

/** @param {number} gain @returns {number} */
function gradeOf(gain) {
  return gain <= 0.005 ? 0 : GRADES.filter((least) => gain >= least).length;
}

/** Draw the map below the choices. @param {Page} page @param {boolean} keepFocus */
function showMap(page, keepFocus = false) {
  const place = /** @type {HTMLElement} */ (document.getElementById("map-place"));
  const weighed = weigh(page, mapBand(page), mapSide(page));
  const root = moveAt(page, page.state.at);
  const wrap = el("div", { class: "map-wrap" });
  place.replaceChildren(crumbs(page, root), wrap);
  const left = el("div", {}), right = el("div", { id: "behind" }, ...behind(page, root, weighed));
  wrap.append(left, right);
  const width = Math.max(280, Math.round(left.clientWidth || 640));
  const picture = drawMap(page, root, weighed, width);
  left.append(picture);
  if (keepFocus) /** @type {HTMLElement | null} */ (picture.querySelector("g.here"))?.focus();
}

/** The move that a state names by its moves, e.g. e4.e5. @param {Page} page @param {string} at @returns {number} */
function moveAt(page, at) {
  let number = 0;
  for (const san of at ? at.split("_") : []) {
    const child = page.moves[number].children.find((one) => page.moves[one].san === san);
    if (child === undefined) return number;
    number = child;
  }
  return number;
}

/** @param {Page} page @param {number} number @returns {number[]} the moves to it, itself included */
function wayTo(page, number) {
  const way = [];
  for (let at = number; at > 0; at = page.moves[at].parent) way.unshift(at);
  return way;
}

/** @param {Page} page @param {number} number @returns {string} */
function nameAt(page, number) {
  return wayTo(page, number).map((one) => page.moves[one].san).join("_");
}

/** @param {Page} page @param {number} root @returns {HTMLElement} */
function crumbs(page, root) {
  const way = [0, ...wayTo(page, root)];
  return el("p", { class: "crumbs" }, ...way.flatMap((number, at) => {
    const words = number ? moveWords(page.moves[number]) : "Start";
    const isHere = at === way.length - 1;
    return [isHere ? el("span", { "aria-current": "location" }, words) : el("a", { href: page.link({ at: nameAt(page, number) }) }, words), isHere ? "" : " "];
  }));
}

/** @param {MapMove} move @returns {string} */
function moveWords(move) {
  return move.ply < 0 ? "Start" : moveNumber(move.ply, true) + move.san;
}

/** The cells from a move on that are high enough to be seen. @param {Page} page @param {number} root @param {Weighed} weighed @param {number} height @param {number} columns @returns {Cell[]} */
function cellsOf(page, root, weighed, height, columns) {
  /** @type {Cell[]} */
  const cells = [];
  place(root, 0, 0, height);
  return cells;

  /** @param {number} number @param {number} column @param {number} top @param {number} high */
  function place(number, column, top, high) {
    cells.push({ number, x: column, y: top, height: high });
    if (column + 1 >= columns) return;
    const children = page.moves[number].children.slice().sort((a, b) => weighed.share[b] - weighed.share[a] || a - b);
    let y = top;
    for (const child of children) {
      const part = weighed.share[number] ? high * weighed.share[child] / weighed.share[number] : 0;
      if (part >= CELL_LEAST) place(child, column + 1, y, part);
      y += part;
    }
  }
}

/** @param {Page} page @param {number} root @param {Weighed} weighed @param {number} width @returns {SVGElement} */
function drawMap(page, root, weighed, width) {
  const height = width < 500 ? 520 : 600;
  const columns = Math.max(3, Math.min(8, Math.floor((width - ROOT_WIDTH) / 80)));
  const wide = (width - ROOT_WIDTH) / columns;
  const picture = svg("svg", { class: "map", viewBox: `0 0 ${width} ${height}`, role: "tree", "aria-label": "Opening map: moves from left to right" });
  const cells = cellsOf(page, root, weighed, height, columns + 1);
  const shown = cells.map((cell, at) => drawCell(page, cell, weighed, wide, at === 0));
  // The first box lies above the others, so that its frame is whole.
  picture.append(...shown.slice(1), shown[0]);
  picture.addEventListener("keydown", (event) => walkMap(page, cells, shown, /** @type {KeyboardEvent} */ (event)));
  return picture;
}

/** @param {Page} page @param {Cell} cell @param {Weighed} weighed @param {number} wide @param {boolean} isRoot @returns {SVGElement} */
function drawCell(page, cell, weighed, wide, isRoot) {
  const move = page.moves[cell.number];
  const share = weighed.share[cell.number], gain = weighed.gain[cell.number], grade = gradeOf(gain);
  const x = isRoot ? 0 : ROOT_WIDTH + (cell.x - 1) * wide;
  const target = isRoot ? Math.max(0, move.parent) : cell.number;
  const words = `${moveWords(move)}: ${percent(share)} of games, ${gain >= 0.005 ? `${gain.toFixed(1)} points in 100` : "nothing to gain"}${isRoot && cell.number ? ". Goes back one move" : ""}`;
  const group = svg("g", { role: "treeitem", "aria-level": cell.x + 1, "aria-label": words, "aria-selected": String(isRoot), tabindex: isRoot ? 0 : -1, class: isRoot ? "here" : "", "data-number": cell.number },
    svg("title", {}, document.createTextNode(words)),
    svg("rect", { class: `cell grade-fill-${grade}`, x, y: cell.y, width: isRoot ? ROOT_WIDTH : wide, height: cell.height }));
  if (isRoot) {
    const y = cell.height / 2;
    group.append(svg("text", { x: ROOT_WIDTH / 2 + 5, y, class: `root on-${grade}`, transform: `rotate(-90 ${ROOT_WIDTH / 2 + 5} ${y})` },
      document.createTextNode([moveWords(move), percent(share), ...(gain >= 0.05 ? [`${gain.toFixed(1)} pts`] : [])].join("  "))));
  }
  const lines = isRoot ? [] : [moveWords(move), percent(share), ...(gain >= 0.05 ? [`${gain.toFixed(1)} pts`] : [])];
  const fitting = Math.min(lines.length, Math.floor((cell.height - 1) / 15));
  lines.slice(0, fitting).forEach((line, at) => {
    const y = cell.y + cell.height / 2 + 5 + (at - (fitting - 1) / 2) * 16;
    group.append(svg("text", { x: x + 6, y: y.toFixed(1), class: `on-${grade}${at ? " share" : ""}` }, document.createTextNode(line)));
  });
  group.addEventListener("click", () => page.go({ at: nameAt(page, target) }));
  return group;
}

/** Arrow keys walk over the map, Enter looks behind a move, Escape goes back. @param {Page} page @param {Cell[]} cells @param {SVGElement[]} shown @param {KeyboardEvent} event */
function walkMap(page, cells, shown, event) {
  const at = shown.findIndex((one) => one === document.activeElement);
  if (at < 0) return;
  const here = cells[at];
  const root = cells[0].number;
  if (event.key === "Enter" || event.key === " ") page.go({ at: nameAt(page, at ? here.number : Math.max(0, page.moves[root].parent)) }, false, true);
  else if (event.key === "Escape" && root) page.go({ at: nameAt(page, page.moves[root].parent) }, false, true);
  else {
    const next = neighbour(page, cells, at, event.key);
    if (next < 0) return;
    shown[at].setAttribute("tabindex", "-1");
    shown[next].setAttribute("tabindex", "0");
    shown[next].focus();
  }
  event.preventDefault();
}

/** @param {Page} page @param {Cell[]} cells @param {number} at @param {string} key @returns {number} -1: there is none */
function neighbour(page, cells, at, key) {
  const parent = page.moves[cells[at].number].parent;
  if (key === "ArrowRight") return cells.findIndex((one) => page.moves[one.number].parent === cells[at].number);
  if (key === "ArrowLeft") return cells.findIndex((one) => one.number === parent);
  const column = cells.flatMap((one, place) => (one.x === cells[at].x ? [place] : []));
  const by = key === "ArrowDown" ? 1 : key === "ArrowUp" ? -1 : 0;
  return by ? column[column.indexOf(at) + by] ?? -1 : -1;
}

/** A link to the list of what comes after the same first moves. @param {Page} page @param {number} root @returns {string} */
function listLink(page, root) {
  const moves = wayTo(page, root).map((one) => page.moves[one].san).join(" ");
  return hashOf({ ...DEFAULTS, moves, band: mapBand(page), side: mapSide(page), chosen: page.state.chosen });
}

/** The position, and the findings behind it. @param {Page} page @param {number} root @param {Weighed} weighed @returns {(HTMLElement | SVGElement)[]} */
function behind(page, root, weighed) {
  const board = afterMoves(boardOf(START), wayTo(page, root).map((one) => page.moves[one].uci));
  const move = page.moves[root];
  const found = inOrder(weighed.below[root].map((at) => page.findings[at]), "teaching_value", false);
  const picture = diagram(board, { bottom: mapSide(page), frames: root ? markOf(move.uci) : null, label: `${moveWords(move)}. ${boardWords(board)}` });
  return [picture,
    el("p", { class: "count" }, `${percent(weighed.share[root])} of games; ${found.length ? `${weighed.gain[root].toFixed(1)} points in 100 of them` : "nothing to gain here"}${found.length > MOST_BEHIND ? `. The best ${MOST_BEHIND} of ${count(found.length)}:` : ""}`),
    el("ol", { class: "below" }, ...found.slice(0, MOST_BEHIND).map((one) => el("li", { value: one.number },
      el("a", { href: page.linkTo(one) }, replyWords(one.about)), ` ${titleOf(one)} `, el("span", { class: "small quiet" }, `${one.kind}, worth ${worthWords(one.teaching_value)}`)))),
    ...broughtPart(page, root),
    ...(found.length ? [el("p", { class: "no-print" }, el("a", { href: listLink(page, root) }, "By these moves in the list"))] : [])];
}
