"use strict";
/* The list of findings: filters, order, rows. */

/** What the list can be ordered by: name, what it is called, how it is written. */
const ORDERS = /** @type {const} */ ({
  teaching_value: { name: "Worth", write: worthWords, column: true },
  teaching_value_low: { name: "Worth at least", write: worthWords, column: true, secondary: true },
  points_per_100: { name: "Points per 100 games", write: points },
  points_per_100_low: { name: "Points per 100 games, at least", write: worthWords },
  pick_rate: { name: "Pick rate", write: percent, column: true },
  gain: { name: "Gain", write: points, column: true },
  reach: { name: "Reach", write: percent, column: true, secondary: true },
  find_rate: { name: "Find rate", write: percent, column: true },
  conversion_observed: { name: "Score afterwards", write: percent },
  games_with_reply: { name: "Games", write: count, column: true, secondary: true },
  games_at_position: { name: "Games at the position", write: count },
  players_with_reply: { name: "Players", write: count },
  loss: { name: "Loss by the engine", write: points },
  plain_reach: { name: "Plain reach", write: percent },
  steered_reach: { name: "Steered reach", write: percent },
  games_per_player: { name: "Games per player", write: points },
  ply: { name: "Length of the opening moves", write: count },
});
/** @typedef {keyof typeof ORDERS} Order */

const ROWS_AT_ONCE = 40;

/**
 * The findings that a state of the page asks for, in its order.
 * Without a band that is chosen, what is told of the bands together; or of each by itself.
 * @param {Finding[]} findings @param {State} state @param {string} group @returns {Finding[]}
 */
function wantedFindings(findings, state, group) {
  const words = state.q.toLowerCase().split(/\s+/).filter(Boolean);
  const moves = movesOf(state.moves);
  const found = findings.filter((one) =>
    (!state.side || one.taught === state.side) &&
    (!state.kind || one.kind === state.kind) &&
    (state.band ? one.band === state.band : state.each ? one.band !== group : one.band === group) &&
    (!state.reason || one.about.reason === state.reason) &&
    (!state.pattern || (one.about.pattern || "none") === state.pattern) &&
    (!state.opening || openingOf(one) === state.opening) &&
    (!moves || `${one.moves} `.startsWith(moves)) &&
    words.every((word) => one.search.includes(word)));
  const ordered = inOrder(found, /** @type {Order} */ (state.sort), state.way === "up");
  return onePerMistake(ordered);
}

/** What the bands together are called where one may be chosen. @param {Page} page @returns {string} */
function groupWords(page) {
  return page.group === "all" ? "all together" : page.group;
}

/** Typed first moves without their numbers, ending in a space; empty for none. @param {string} typed @returns {string} */
function movesOf(typed) {
  const sans = typed.replace(/\d+\.+/g, " ").split(/\s+/).filter(Boolean);
  return sans.length ? `${sans.join(" ")} ` : "";
}

/** The opening without its variations. @param {Finding} finding @returns {string} */
function openingOf(finding) {
  return finding.about.opening.split(":")[0].trim() || "not named";
}

/** What is not known comes last either way. @param {Finding[]} findings @param {Order} order @param {boolean} up @returns {Finding[]} */
function inOrder(findings, order, up) {
  const sign = up ? 1 : -1;
  return findings.slice().sort((one, other) => {
    const a = valueOf(one, order), b = valueOf(other, order);
    if (a === null || b === null) return (a === null ? 1 : 0) - (b === null ? 1 : 0) || one.number - other.number;
    return sign * (a - b) || one.number - other.number;
  });
}

/** @param {Finding} finding @param {Order} order @returns {number | null} */
function valueOf(finding, order) {
  if (order === "reach") return reachOf(finding);
  if (order === "gain") return gainOf(finding);
  if (order === "ply") return finding.about.ply;
  return finding[order];
}

/** The gain that counts in the worth: of a trap, what punishing it adds. @param {Finding} finding @returns {number} */
function gainOf(finding) {
  return finding.kind === "trap" ? finding.punish_gain : finding.gain_for_band;
}

/** The reach that counts: one steers towards a trap, not towards a pitfall. @param {Finding} finding @returns {number} */
function reachOf(finding) {
  return finding.kind === "trap" ? finding.steered_reach : finding.plain_reach;
}

/** The first of each mistake and band. @param {Finding[]} findings @returns {Finding[]} */
function onePerMistake(findings) {
  /** @type {Map<string, Finding>} */
  const first = new Map();
  for (const one of findings) {
    const mistake = `${one.mistake} ${one.band}`;
    if (!first.has(mistake)) first.set(mistake, one);
  }
  return [...first.values()];
}

/** The whole view. @param {Page} page @returns {HTMLElement} */
function listView(page) {
  const results = el("div", { id: "results" });
  const view = el("section", { "aria-labelledby": "list-title" },
    el("h2", { id: "list-title", tabindex: -1 }, "Findings"),
    el("div", { id: "summary", class: "summary" }),
    filterForm(page),
    results);
  return view;
}

/** @param {Page} page @returns {HTMLElement} */
function filterForm(page) {
  const { findings, bands, state } = page;
  const openings = tallied(findings.map(openingOf));
  const patterns = tallied(findings.map((one) => one.about.pattern || "none"));
  const reasons = tallied(findings.map((one) => one.about.reason));
  const more = el("details", { class: "choices", open: !matchMedia("(max-width: 44rem)").matches },
    el("summary", {}, "Choose and order"),
    el("div", { class: "filters" },
      typed("q", "search", "Search", "opening, moves, piece ..."),
      typed("moves", "text", "First moves", "e4 e5 Nc3"),
      chooser("side", "Side taught", [["", "both"], ["white", "White"], ["black", "Black"]]),
      chooser("kind", "Trap or pitfall", [["", "both"], ["trap", "traps: they err"], ["pitfall", "pitfalls: we err"]]),
      chooser("band", "Band", [["", groupWords(page)], ...bands.filter((band) => findings.some((one) => one.band === band)).map(pair)]),
      chooser("reason", "Reason", [["", "all"], ...reasons.map(pair)]),
      chooser("pattern", "Pattern", [["", "all"], ...patterns.map(pair)]),
      chooser("opening", "Opening", [["", "all"], ...openings.map(pair)]),
      chooser("sort", "Order by", Object.entries(ORDERS).map(([key, order]) => [key, order.name])),
      chooser("way", "From", [["", "the highest"], ["up", "the lowest"]])),
    el("div", { class: "filter-foot" },
      el("label", { class: "tick" }, el("input", { type: "checkbox", id: "each", checked: Boolean(state.each), onchange: each }), "each band on its own line"),
      el("button", { type: "button", id: "clear", onclick: clear }, "Clear all choices")));
  return el("form", { class: "no-print", role: "search", "aria-label": "Choose findings", onsubmit: (/** @type {Event} */ event) => event.preventDefault() }, more);

  /** @param {string} name @param {string} type @param {string} label @param {string} example @returns {HTMLElement} */
  function typed(name, type, label, example) {
    const value = state[/** @type {keyof State} */ (name)];
    return el("div", { class: "wide" }, el("label", { for: `by-${name}` }, label),
      el("input", { type, id: `by-${name}`, value, placeholder: example, autocomplete: "off", spellcheck: "false",
        oninput: (/** @type {Event} */ event) => page.go({ [name]: valueIn(event) }, true) }));
  }
  /** @param {string} name @param {string} label @param {string[][]} choices @returns {HTMLElement} */
  function chooser(name, label, choices) {
    const current = state[/** @type {keyof State} */ (name)];
    return el("div", {}, el("label", { for: `by-${name}` }, label),
      el("select", { id: `by-${name}`, onchange: (/** @type {Event} */ event) => page.go({ [name]: valueIn(event) }) },
        ...choices.map(([value, words]) => el("option", { value, selected: value === current }, words))));
  }
  function each(/** @type {Event} */ event) {
    page.go({ each: /** @type {HTMLInputElement} */ (event.target).checked ? "1" : "" });
  }
  function clear() {
    page.go({ ...DEFAULTS, chosen: page.state.chosen });
    document.getElementById("by-q")?.focus();
  }
}

/** Make the fields show a state that came from a link. @param {State} state */
function fillFilters(state) {
  for (const name of FILTERS) {
    const field = /** @type {HTMLInputElement | null} */ (document.getElementById(`by-${name}`));
    if (field && field.value !== state[name]) field.value = state[name];
  }
  const each = /** @type {HTMLInputElement | null} */ (document.getElementById("each"));
  if (each) each.checked = Boolean(state.each);
}

/** @param {Event} event @returns {string} */
function valueIn(event) {
  return /** @type {HTMLInputElement} */ (event.target).value;
}

/** @param {string} value @returns {[string, string]} */
function pair(value) {
  return [value, value];
}

/** Different values, the commonest first. @param {string[]} values @returns {string[]} */
function tallied(values) {
  /** @type {Map<string, number>} */
  const counts = new Map();
  for (const one of values) counts.set(one, (counts.get(one) || 0) + 1);
  return [...counts].sort((a, b) => b[1] - a[1] || (a[0] < b[0] ? -1 : 1)).map(([one]) => one);
}

/** Fill the part below the filters. @param {Page} page @param {number} shown rows to show */
function showResults(page, shown = ROWS_AT_ONCE) {
  const found = wantedFindings(page.findings, page.state, page.group);
  page.found = found;
  page.shown = shown;
  const results = /** @type {HTMLElement} */ (document.getElementById("results"));
  const words = found.length === 1 ? "1 finding" : `${count(found.length)} findings`;
  const told = found.length ? `${words}, ordered by ${ORDERS[/** @type {Order} */ (page.state.sort)].name.toLowerCase()}` : "No finding fits these choices.";
  results.replaceChildren(el("p", { class: "count" }, told));
  if (found.length) results.append(table(page, found.slice(0, shown)));
  if (found.length > shown) results.append(moreButton(page, found.length - shown));
  results.append(chosenBar(page));
  document.getElementById("summary")?.replaceChildren(...summaryOf(page));
  tell(told);
}

/** What 100 games hold, for the side and band that are chosen. @param {Page} page @returns {HTMLElement[]} */
function summaryOf(page) {
  const { state, contents } = page;
  const band = state.band || page.group;
  const sides = state.side ? [state.side] : ["white", "black"];
  return sides.flatMap((side) => {
    const words = contents.summaries[`${side} ${band}`];
    return words ? [el("p", {}, words)] : [];
  });
}

/** @param {Page} page @param {number} left @returns {HTMLElement} */
function moreButton(page, left) {
  const next = Math.min(left, ROWS_AT_ONCE * 2);
  return el("p", { class: "more" }, el("button", { type: "button", id: "more", onclick: () => {
    const first = page.shown;
    showResults(page, page.shown + next);
    /** @type {HTMLElement | undefined} */ (document.querySelectorAll(".list .title a")[first])?.focus();
  } }, `Show ${count(next)} more of ${count(left)}`));
}

const COLUMNS = /** @type {Order[]} */ (Object.keys(ORDERS).filter((key) => "column" in ORDERS[/** @type {Order} */ (key)]));

/** @param {Page} page @param {Finding[]} rows @returns {HTMLElement} */
function table(page, rows) {
  return el("table", { class: "list" },
    el("caption", { class: "unseen" }, "Findings with their numbers"),
    el("thead", {}, el("tr", {}, el("td", { class: "picture" }), el("th", { class: "words", scope: "col" }, "Mistake"), ...COLUMNS.map(heading))),
    el("tbody", {}, ...rows.map((finding) => row(page, finding))));

  /** @param {Order} order @returns {HTMLElement} */
  function heading(order) {
    const { state } = page;
    const isOrder = state.sort === order;
    const sort = isOrder ? (state.way === "up" ? "ascending" : "descending") : null;
    return el("th", { scope: "col", class: secondary(order), "aria-sort": sort },
      el("button", { type: "button", onclick: () => {
        page.go({ sort: order, way: isOrder && state.way !== "up" ? "up" : "" });
        /** @type {HTMLElement | null} */ (document.querySelector(".list th[aria-sort] button"))?.focus();
      } }, ORDERS[order].name));
  }
}

/** @param {Order} order @returns {string | null} */
function secondary(order) {
  return "secondary" in ORDERS[order] ? "secondary" : null;
}

/** @param {Page} page @param {Finding} finding @returns {HTMLElement} */
function row(page, finding) {
  const { about } = finding;
  const small = diagram(about.board, { bottom: finding.taught, arrow: about.mark, coordinates: false, label: `Diagram before ${replyWords(about)}` });
  return el("tr", {},
    el("td", { class: "picture" }, small),
    el("td", { class: "words" },
      el("div", { class: "title" }, el("span", { class: "number" }, `${finding.number}. `), el("a", { href: page.linkTo(finding) }, titleOf(finding)), about.eco ? el("span", { class: "number" }, ` ${about.eco}`) : null),
      el("div", { class: "moves" }, shortPath(about), el("b", { class: "mark" }, replyWords(about, !about.path.san))),
      el("div", { class: "small quiet" }, `${capital(finding.kind)} for ${capital(finding.taught)}, ${bandWords(finding.band)}`),
      el("div", { class: "small quiet" }, reasonWords(about)),
      chooseBox(page, finding)),
    ...COLUMNS.map((order) => {
      const value = valueOf(finding, order);
      return el("td", { "data-name": ORDERS[order].name, class: secondary(order) }, value === null ? "–" : ORDERS[order].write(value));
    }));
}

/** @param {Finding} finding @returns {string} */
function titleOf(finding) {
  return finding.about.name;
}

/** The last moves before the reply. @param {Mistake} about @returns {string} */
function shortPath(about) {
  const sans = split(about.path.san);
  const from = Math.max(0, sans.length - 8) & ~1;
  return `${from ? "... " : ""}${numbered(sans.slice(from), from)} `;
}

/** The losing reply with number and question marks; behind White's move Black's has none. @param {Mistake} about @param {boolean} first @returns {string} */
function replyWords(about, first = true) {
  return moveNumber(about.ply, first) + about.reply.san + about.sign;
}

/** @param {Mistake} about @returns {string} */
function reasonWords(about) {
  const detail = about.detail && about.detail !== about.reason ? about.detail : about.reason;
  return capital(about.pattern ? `${detail}; ${about.pattern}` : detail);
}

/** @param {Page} page @param {Finding} finding @returns {HTMLElement} */
function chooseBox(page, finding) {
  const key = finding.about.key;
  return el("label", { class: "tick small no-print" },
    el("input", { type: "checkbox", "aria-label": `For a sheet: ${finding.number}. ${titleOf(finding)}`, checked: page.chosen().includes(key), onchange: (/** @type {Event} */ event) => {
      const others = page.chosen().filter((one) => one !== key);
      page.choose(/** @type {HTMLInputElement} */ (event.target).checked ? [...others, key] : others);
      document.querySelector(".chosen")?.replaceWith(chosenBar(page));
    } }), "for a sheet");
}

/** What makes a sheet from the chosen findings. @param {Page} page @returns {HTMLElement} */
function chosenBar(page) {
  const keys = page.chosen();
  return el("div", { class: "chosen", hidden: !keys.length },
    el("span", {}, `${keys.length} chosen.`), ...lessonCommand(onlyKeys(keys)),
    el("button", { type: "button", onclick: () => { page.choose([]); showResults(page, page.shown); } }, "Choose none"));
}

/** @param {string[]} keys @returns {string} */
function onlyKeys(keys) {
  return keys.map((key) => `--only ${key}`).join(" ");
}

/** The command that makes a sheet. The page does not tell where its store lies: it is handed on. @param {string} about @returns {HTMLElement[]} */
function lessonCommand(about) {
  return [el("code", {}, `miner lesson --store DIR --out sheets ${about}`), el("span", { class: "small quiet" }, " DIR is the folder of your store.")];
}
