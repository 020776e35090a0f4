"use strict";
/* The page: its state is in the link, its data in the element `contents`. */

/**
 * `Told`, the columns of a finding, is made from those of contents.py: see `make page-types`.
 * @typedef {{name: string, question: string, hint: string, answer: string}} Ask
 * @typedef {{introduction: string, beside: {ply: number, sign: string, said: string, ask: Ask | null}[]}} Comments
 * @typedef {{line: Line, at: number, result: string, date: string, winner: number, loser: number, moments: number[], comments: Comments | null}} Model
 * @typedef {[string, number, number, number, number, number]} ShareRow name, games, of games, share, low, high
 * @typedef {[string, number, string, number, string, string]} PlanRow players, won games, words, share, from and to square or empty
 * @typedef {{key: string, fen: string, ply: number, path: Line, name: string, eco: string, opening: string, reply: Line,
 *   refutation: Line, better: Line, sign: string, reason: string, pattern: string, detail: string, why: string,
 *   engine: string, nodes: number, picks: ShareRow[], answers: {san: string, games: number, kept: number | null}[],
 *   leaks: string[], models: Model[], plans: PlanRow[], seasons: ShareRow[], motifs: string}} ToldMistake
 * @typedef {ToldMistake & {board: Board, mark: Mark}} Mistake
 * @typedef {Told & {number: number, id: string, about: Mistake, moves: string, search: string}} Finding
 * @typedef {{sources: number, games: number, ledger: [string, number][], first: string, last: string, stale: boolean, positions: number,
 *   engines: string[], nodes: number}} Mined
 * @typedef {{mined: Mined, bands: string[], group: string, summaries: Record<string, string>, mistakes: ToldMistake[], columns: string[],
 *   findings: Value[][], motifs: Motifs | null, map: {parent: number[], san: string[], uci: string[], games: number[][], at: number[][],
 *   ends: number[][], motifs: ([number, [number, number][]] | null)[]}}} Contents
 * @typedef {string | number | null} Value
 * @typedef {typeof DEFAULTS} State
 */

/** What a link need not say. */
const DEFAULTS = {
  view: "list", id: "", q: "", moves: "", side: "", kind: "", band: "", reason: "", pattern: "", opening: "",
  sort: "teaching_value", way: "", each: "", at: "", chosen: "",
};
const FILTERS = /** @type {(keyof State)[]} */ (["q", "moves", "side", "kind", "band", "reason", "pattern", "opening", "sort", "way"]);

/** The state that the part of a link after # stands for. @param {string} hash @returns {State} */
function stateOf(hash) {
  const state = { ...DEFAULTS };
  for (const [key, value] of new URLSearchParams(hash.replace(/^#/, ""))) {
    if (Object.hasOwn(DEFAULTS, key)) state[/** @type {keyof State} */ (key)] = value;
  }
  if (!Object.hasOwn(ORDERS, state.sort)) state.sort = DEFAULTS.sort;
  if (state.band === "all" && state.view !== "map") state.band = "";
  return state;
}

/** @param {State} state @returns {string} */
function hashOf(state) {
  const said = Object.entries(state).filter(([key, value]) => value !== DEFAULTS[/** @type {keyof State} */ (key)]);
  return `#${new URLSearchParams([["view", state.view], ...said.filter(([key]) => key !== "view")])}`;
}

/** A row with the names of its columns. @param {string[]} columns @param {Value[]} values @returns {Told} */
function toldIn(columns, values) {
  const told = /** @type {unknown} */ (Object.fromEntries(columns.map((column, place) => [column, values[place]])));
  return /** @type {Told} */ (told);
}

/** The findings as objects, each with its mistake. @param {Contents} contents @returns {Finding[]} */
function findingsOf(contents) {
  const mistakes = contents.mistakes.map((one) => Object.assign(one, { board: boardOf(one.fen), mark: markOf(one.reply.uci) }));
  return contents.findings.map((values) => {
    const told = toldIn(contents.columns, values);
    const about = mistakes[told.mistake];
    const moves = `${about.path.san} ${about.reply.san}`.trim();
    return Object.assign(told, {
      number: told.mistake + 1, about, moves, id: `${about.key}-${about.reply.uci}-${told.band}-${told.kind}`,
      search: [about.name, about.eco, moves, about.refutation.san, about.why, about.reason, about.pattern, told.band, told.kind, `#${told.mistake + 1}`].join(" ").toLowerCase(),
    });
  });
}

class Page {
  /** @param {Contents} contents */
  constructor(contents) {
    this.contents = contents;
    this.bands = contents.bands;
    this.findings = findingsOf(contents);
    this.byId = new Map(this.findings.map((one) => [one.id, one]));
    this.moves = mapMoves(contents);
    /** The bands together that the list is for. */
    this.group = contents.group;
    /** @type {State} */
    this.state = { ...DEFAULTS };
    /** What the list shows. @type {Finding[]} */
    this.found = [];
    this.shown = ROWS_AT_ONCE;
    this.listScroll = 0;
    this.main = /** @type {HTMLElement} */ (document.getElementById("main"));
  }

  /** A link to this state with some of it changed. @param {Partial<State>} change @returns {string} */
  link(change) {
    return hashOf({ ...this.state, ...change });
  }

  /** @param {Finding} finding @returns {string} */
  linkTo(finding) {
    return this.link({ view: "finding", id: finding.id, at: "" });
  }

  /** Change the state. @param {Partial<State>} change @param {boolean} quietly without a step to go back to @param {boolean} keepFocus */
  go(change, quietly = false, keepFocus = false) {
    const hash = this.link(change);
    if (hash === location.hash) return;
    if (quietly) history.replaceState(null, "", hash);
    else history.pushState(null, "", hash);
    this.show(keepFocus);
  }

  /** Keys of the positions that are chosen for a sheet. @returns {string[]} */
  chosen() {
    return this.state.chosen.split(",").filter(Boolean);
  }

  /** @param {string[]} keys */
  choose(keys) {
    const hash = this.link({ chosen: keys.join(",") });
    history.replaceState(null, "", hash);
    this.state = stateOf(hash);
    this.showLinks();
  }

  /** Show what the link says. @param {boolean} keepFocus on the map */
  show(keepFocus = false) {
    const before = this.state;
    if (before.view === "list") this.listScroll = window.scrollY;
    this.state = stateOf(location.hash);
    const finding = this.byId.get(this.state.id);
    if (this.state.view === "finding" && finding) this.showFinding(finding);
    else if (this.state.view === "map") this.showMapView(before, keepFocus);
    else if (this.state.view === "notes") this.replace(notesView(this));
    else if (this.state.view === "motif" && this.motif()) this.showMotif(/** @type {Motif} */ (this.motif()));
    else if (this.state.view.startsWith("motif") && this.contents.motifs) this.replace(motifsView(this));
    else this.showList(before);
    document.body.dataset.view = this.state.view;
    this.showLinks();
  }

  /** @param {Finding} finding */
  showFinding(finding) {
    if (!this.found.length) this.found = wantedFindings(this.findings, this.state, this.group);
    this.replace(findingView(this, finding));
    document.title = `${finding.number}. ${titleOf(finding)}`;
  }

  /** The motif that the link names. @returns {Motif | undefined} */
  motif() {
    return this.contents.motifs?.list.find((one) => one.name === this.state.id);
  }

  /** @param {Motif} motif */
  showMotif(motif) {
    this.replace(motifView(this, motif));
    document.title = capital(motif.name);
  }

  /** @param {State} before */
  showList(before) {
    const isNew = !document.getElementById("results");
    const same = FILTERS.every((name) => before[name] === this.state[name]) && before.each === this.state.each;
    if (isNew) this.replace(listView(this), before.view === "finding" ? this.listScroll : 0);
    else fillFilters(this.state);
    showResults(this, isNew && same ? this.shown : ROWS_AT_ONCE);
    if (isNew && before.view === "finding") window.scrollTo(0, this.listScroll);
  }

  /** @param {State} before @param {boolean} keepFocus */
  showMapView(before, keepFocus) {
    const isNew = !document.getElementById("map-place") || before.band !== this.state.band || before.side !== this.state.side;
    const focused = document.activeElement?.id;
    if (isNew) this.replace(mapView(this));
    showMap(this, keepFocus);
    if (isNew && focused?.startsWith("map-")) document.getElementById(focused)?.focus();
  }

  /** @param {HTMLElement} view @param {number} scroll */
  replace(view, scroll = 0) {
    const isFirst = !this.main.querySelector("h2");
    stepping = view.querySelector(".stepper") ? stepping : null;
    this.main.replaceChildren(view);
    document.title = /** @type {HTMLElement} */ (document.querySelector("h1")).textContent || "";
    if (isFirst) return;
    view.querySelector("h2")?.focus({ preventScroll: true });
    window.scrollTo(0, scroll);
  }

  /** Mark the part that is open; keep choices in the links to the others, and to the things at the top. */
  showLinks() {
    const parts = { motif: "motifs", finding: "list" };
    for (const view of ["motifs", "list", "map", "notes"]) {
      const link = /** @type {HTMLElement} */ (document.getElementById(`to-${view}`));
      link.setAttribute("href", this.link({ view, id: "", at: "" }));
      if (this.state.view === view || parts[/** @type {keyof typeof parts} */ (this.state.view)] === view) link.setAttribute("aria-current", "page");
      else link.removeAttribute("aria-current");
    }
    for (const link of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll(".things a"))) {
      link.setAttribute("href", this.link({ view: link.dataset.view || DEFAULTS.view, id: link.dataset.id || "", at: "" }));
    }
  }
}

/** What was mined, in one line. @param {Page} page @returns {string} */
function minedWords(page) {
  const { mined } = page.contents;
  const dates = mined.last ? ` of ${mined.first === mined.last ? mined.first : `${mined.first} to ${mined.last}`}` : "";
  const sources = mined.sources ? ` from ${mined.sources === 1 ? "one source" : `${count(mined.sources)} sources`}` : "";
  const bands = page.bands.length ? `; bands ${page.bands[0]} to ${page.bands[page.bands.length - 1]}` : "";
  const stale = mined.stale ? "Out of date: these findings are of other games or settings than the store holds now. " : "";
  return `${stale}${count(mined.games)} games${dates}${sources}${bands}; ${page.contents.mistakes.length} losing replies, judged by ${mined.engines.join(", ") || "no engine"}. Ledger: ${ledgerWords(mined)}.`;
}

/** @param {Mined} mined @returns {string} */
function ledgerWords(mined) {
  return mined.ledger.map(([state, number]) => `${count(number)} ${state}`).join(", ") || "no games";
}

/** @type {[string, string][]} */
const WORDS = [
  ["Trap, pitfall", "A trap is a losing reply of the opponent, a pitfall one of our own side."],
  ["Band", "A rating interval of the player who makes the move. Pupils are taken to be as strong as their opponents."],
  ["Pick rate", "Share of the band's games at the position in which the reply is to be expected, with its interval: what was counted, drawn to what is usual where games are few."],
  ["Gain", "Points per game, a win being 1, a draw 1/2: what a pitfall really costs players of the band; of a trap, what who punishes it scores more than who does not. What the engine says is told apart, as the loss."],
  ["Reach", "Share of games that get to the position: if our side plays towards it (steered) for a trap, as games are played (plain) for a pitfall."],
  ["Find rate", "Share of the band whose next move is one of those that keep three quarters of the gain or more. Not told of fewer than five players."],
  ["Motif", "By what a mistake is punished, whatever the position: the pattern, what strikes, and where, as the side that punishes sees it when it plays as White. Counted in a sample of whole games; intervals hold what is true of such players in about nine of ten cases."],
  ["Costs, of a motif", "Points in 100 games: what falling for it gives away, by the engine, and what not finding it leaves. No lesson wins all of that, and a position's worth is on another scale: do not compare them."],
  ["Worth", "Points in 100 games that pupils would still gain by knowing it, of a trap at the most: 100 × reach × pick rate × gain; for a trap × the share that does not punish it yet, with the gain of those who do over those who do not. What few games speak for is drawn to what is usual, so that small samples do not float to the top."],
  ["Score afterwards", "What the side that profits really scored after the reply."],
  ["On the map", "Points that 100 games through a move give away to what is in the list, as games are played: nobody steers."],
];

/** @param {Page} page @returns {HTMLElement} */
function notesView(page) {
  const { mined } = page.contents;
  return el("section", { "aria-labelledby": "notes-title" },
    el("h2", { id: "notes-title", tabindex: -1 }, "What the numbers mean"),
    el("dl", { class: "words" }, ...WORDS.flatMap(([word, means]) => [el("dt", {}, word), el("dd", {}, means)])),
    el("h3", {}, "What was mined"),
    el("table", { class: "facts ledger" }, el("caption", { class: "unseen" }, "What became of the games"),
      el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "What became of the games"), el("th", { scope: "col" }, "games"))),
      el("tbody", {}, ...mined.ledger.map(([state, number]) => el("tr", {}, el("td", {}, state), el("td", {}, count(number)))),
        el("tr", { class: "this" }, el("td", {}, "seen"), el("td", {}, count(mined.games))))),
    el("p", {}, `${count(mined.positions)} positions were tallied; the deepest searches took ${count(mined.nodes)} nodes each.`),
    el("p", {}, "Games of one player are not independent of each other, and the numbers are those of the games that were read, not of all players."));
}

/** Print more than the first rows. @param {Page} page */
function showAllForPrint(page) {
  if (document.getElementById("more")) showResults(page, page.found.length);
}

function start() {
  const raw = /** @type {HTMLElement} */ (document.getElementById("contents")).textContent || "";
  const page = new Page(JSON.parse(raw));
  /** @type {HTMLElement} */ (document.getElementById("mined")).textContent = minedWords(page);
  window.addEventListener("popstate", () => page.show());
  window.addEventListener("beforeprint", () => showAllForPrint(page));
  window.addEventListener("resize", () => { if (document.getElementById("map-place")) showMap(page); });
  document.addEventListener("keydown", stepByKey);
  document.getElementById("skip")?.addEventListener("click", () => page.main.focus());
  history.scrollRestoration = "manual";
  const motifs = /** @type {HTMLElement} */ (document.getElementById("to-motifs"));
  motifs.hidden = !page.contents.motifs;
  if (!location.hash && page.contents.motifs) history.replaceState(null, "", page.link({ view: "motifs" }));
  page.show();
  document.documentElement.dataset.ready = "yes";
}

start();
