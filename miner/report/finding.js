"use strict";
/* One finding: the board to step through, and what there is to say about it. */

/**
 * @typedef {{san: string, uci: string, ply: number, look: string}} Step
 * @typedef {{name: string, steps: Step[]}} StepLine all begin at the start of the game
 */

/** The stepper that the arrow keys move. @type {Stepper | null} */
let stepping = null;

/** A board with lines of moves: buttons, arrow keys and clicks step through them. */
class Stepper {
  /**
   * @param {StepLine[]} lines @param {{bottom: string, at: number, arrow: boolean, label: string, comments?: Comments | null}} how `at`: plies
   * from the start that the first line shows first; `arrow`: the next move is drawn there; `comments`: of a line that is the only one
   */
  constructor(lines, how) {
    this.lines = lines;
    this.how = how;
    this.line = 0;
    this.at = how.at;
    /** How far the reader has come: the moves from the next stop on are covered. */
    this.reached = how.at;
    this.beside = new Map(how.comments?.beside.map((one) => [one.ply, one]));
    this.comment = el("div", { class: "comment" });
    this.picture = el("div", {});
    this.caption = el("figcaption", { class: "caption" });
    this.next = this.button("Next", () => this.step(1));
    this.buttons = el("div", { class: "steps no-print", role: "group", "aria-label": `Step through: ${how.label}` },
      this.button("First", () => this.go(this.line, 0)), this.button("Back", () => this.step(-1)),
      this.next, this.button("Last", () => this.go(this.line, this.steps.length)));
    this.texts = lines.map((line, number) => this.lineText(line, number));
    const board = [el("figure", { class: "plate" }, this.picture, this.caption), this.buttons];
    this.element = el("div", { class: "stepper" },
      ...(how.comments ? [el("div", { class: "commented" }, el("div", {}, ...board), this.comment)] : board), ...this.texts);
    this.draw(false);
  }

  get steps() {
    return this.lines[this.line].steps;
  }

  /** @param {string} name @param {() => void} act @returns {HTMLElement} */
  button(name, act) {
    return el("button", { type: "button", onclick: act }, name);
  }

  /** @param {number} by */
  step(by) {
    this.go(this.line, Math.max(0, Math.min(this.steps.length, this.at + by)));
  }

  /** @param {number} line @param {number} at plies from the start */
  go(line, at) {
    stepping = this;
    this.line = line;
    this.at = at;
    this.reached = Math.max(this.reached, at);
    this.draw(true);
  }

  /** @param {boolean} aloud */
  draw(aloud) {
    const board = afterMoves(boardOf(START), this.steps.slice(0, this.at).map((one) => one.uci));
    const isFirst = this.how.arrow && this.at === this.how.at && this.line === 0;
    const last = this.steps[this.at - 1], next = this.steps[this.at];
    const words = this.words(last, next, isFirst);
    this.picture.replaceChildren(diagram(board, {
      bottom: this.how.bottom, arrow: isFirst && next ? markOf(next.uci) : null, frames: !isFirst && last ? markOf(last.uci) : null,
      label: `${words} ${boardWords(board)}`,
    }));
    this.caption.textContent = words;
    this.showPlace();
    const comment = this.showComment();
    if (aloud) tell(`${words} ${comment}`);
  }

  /** What is said of the last move, and asked before the next. @returns {string} that in words */
  showComment() {
    const said = this.beside.get(this.at - 1)?.said, ask = this.beside.get(this.at)?.ask;
    if (this.comment.contains(document.activeElement)) this.next.focus();
    this.comment.replaceChildren(...(said ? [el("p", {}, said)] : []), ...(ask ? [stopPart(ask)] : []));
    return [said, ask?.name, ask?.question].filter(Boolean).join(" ");
  }

  /** @param {Step | undefined} last @param {Step | undefined} next @param {boolean} isFirst @returns {string} */
  words(last, next, isFirst) {
    const toMove = this.at % 2 === 0 ? "White" : "Black";
    if (isFirst && next) return `${toMove} to move plays ${moveNumber(next.ply, true)}${next.san}`;
    if (!last) return "The start position";
    return `After ${moveNumber(last.ply, true)}${last.san}. ${next ? `${toMove} to move.` : "Here the line ends."}`;
  }

  showPlace() {
    const stop = this.how.comments?.beside.find((one) => one.ask && one.ply >= this.reached);
    this.texts.forEach((text, line) => {
      text.querySelectorAll("button").forEach((button, at) => {
        if (this.how.comments) button.hidden = stop !== undefined && at >= stop.ply;
        if (line === this.line && at === this.at - 1) button.setAttribute("aria-current", "step");
        else button.removeAttribute("aria-current");
      });
    });
  }

  /** @param {StepLine} line @param {number} number @returns {HTMLElement} */
  lineText(line, number) {
    const hidden = number ? this.shared(line) : 0;
    const moves = line.steps.map((step, at) => el("button", { type: "button", class: step.look || null, hidden: at < hidden, onclick: () => this.go(number, at + 1) },
      moveNumber(step.ply, at === hidden || step.look === "key") + step.san));
    return el("div", {}, el("p", { class: "line-name" }, line.name), el("p", { class: "line" }, ...moves.flatMap((one) => [one, " "])));
  }

  /** Moves that a line has in common with the first one. @param {StepLine} line @returns {number} */
  shared(line) {
    let at = 0;
    while (at < line.steps.length && line.steps[at].uci === this.lines[0].steps[at]?.uci) at++;
    return at;
  }
}

/** A question; its hint and its answer when they are asked for. @param {Ask} ask @returns {HTMLElement} */
function stopPart(ask) {
  const fold = (/** @type {string} */ name, /** @type {string} */ words) => el("details", { class: "no-print" }, el("summary", {}, name), el("p", {}, words));
  return el("div", { class: "stop" }, el("p", {}, el("b", {}, `${ask.name}. `), ask.question), fold("Hint", ask.hint), fold("Answer", ask.answer));
}

/** @param {Line} line @param {number} ply @param {string} look @returns {Step[]} */
function stepsOf(line, ply, look) {
  const ucis = split(line.uci);
  return split(line.san).map((san, at) => ({ san, uci: ucis[at], ply: ply + at, look }));
}

/** @param {Finding} finding @returns {StepLine[]} */
function linesOf(finding) {
  const { about } = finding;
  const way = stepsOf(about.path, 0, "way");
  const [reply] = stepsOf(about.reply, about.ply, "key");
  reply.san += about.sign;
  return [
    { name: "The mistake, and what punishes it", steps: [...way, reply, ...stepsOf(about.refutation, about.ply + 1, "")] },
    { name: "What was better", steps: [...way, ...stepsOf(about.better, about.ply, "")] },
  ];
}

/** The whole view. @param {Page} page @param {Finding} finding @returns {HTMLElement} */
function findingView(page, finding) {
  const { about } = finding;
  const stepper = new Stepper(linesOf(finding), { bottom: finding.taught, at: about.ply, arrow: true, label: "the mistake and what was better" });
  stepping = stepper;
  return el("article", { "aria-labelledby": "finding-title" },
    trail(page, finding),
    el("h2", { id: "finding-title", tabindex: -1 }, `${finding.number}. ${titleOf(finding)}`),
    el("p", { class: "quiet subtitle" }, `${capital(finding.kind)} for ${capital(finding.taught)}: ${who(finding)}${about.eco ? ` · ${about.eco}` : ""}`),
    el("div", { class: "finding" },
      el("div", { class: "aside" }, stepper.element),
      el("div", {},
        el("p", { class: "lead" }, el("b", { class: "mark" }, `${replyWords(about)} `), about.why),
        el("p", {}, `${capital(bandWords(finding.band))} chose it in ${finding.often}${playersWords(finding)}. ${finding.observed} ${finding.price}`),
        ...worthPart(finding), ...picksPart(finding), ...afterPart(finding), ...answersPart(about), ...leaksPart(about), ...plansPart(finding),
        ...modelsPart(finding), ...seasonsPart(finding), ...broughtWords(about), ...elsewherePart(page, finding), ...sheetPart(about),
        el("p", { class: "small quiet" }, `Judged by ${about.engine} at ${count(about.nodes)} nodes per search: ${cpWords(finding.cp_best)} with the best move, ${cpWords(finding.cp_reply)} with the reply, for the side that errs.`))));
}

/** @param {Finding} finding @returns {string} */
function who(finding) {
  const errs = finding.side === "white" ? "Black" : "White";
  return `${errs} (${bandWords(finding.band)}) errs, ${capital(finding.side)} profits`;
}

/** @param {Finding} finding @returns {string} */
function playersWords(finding) {
  const number = finding.players_with_reply;
  return number ? `, by ${count(number)} player${number === 1 ? "" : "s"}` : "";
}

/** @param {number} cp @returns {string} */
function cpWords(cp) {
  if (Math.abs(cp) > 9000) return cp > 0 ? `mate in ${10000 - cp}` : cp === -10000 ? "mated" : `mated in ${10000 + cp}`;
  return `${cp > 0 ? "+" : cp < 0 ? "−" : ""}${(Math.abs(cp) / 100).toFixed(2)}`;
}

/** Links back, and to the findings before and after it in the list. @param {Page} page @param {Finding} finding @returns {HTMLElement} */
function trail(page, finding) {
  const found = page.found.length ? page.found : wantedFindings(page.findings, page.state, page.group);
  const at = found.indexOf(finding);
  const link = (/** @type {Finding | undefined} */ to, /** @type {string} */ words, /** @type {string} */ id) =>
    to ? el("a", { class: "button", id, href: page.linkTo(to) }, words) : null;
  return el("div", { class: "trail no-print" },
    el("a", { class: "button", id: "back", href: page.link({ view: "list", id: "" }) }, "Back to the list"),
    el("span", { class: "spring" }),
    at >= 0 ? el("span", { class: "quiet" }, `${at + 1} of ${count(found.length)}`) : null,
    at > 0 ? link(found[at - 1], "Previous finding", "previous") : null,
    at >= 0 ? link(found[at + 1], "Next finding", "following") : null);
}

/** What it is worth, as the product it is. @param {Finding} finding @returns {HTMLElement[]} */
function worthPart(finding) {
  const isTrap = finding.kind === "trap";
  /** @type {[string, string][]} */
  const factors = [
    [`${percentFine(reachOf(finding))}`, isTrap ? "reach: share of games that get there if we play towards it" : "reach: share of games that get there as they are played"],
    [percentFine(finding.pick_rate), `pick rate (${range(finding.pick_rate_low, finding.pick_rate_high)})`],
  ];
  const missed = finding.find_rate === null ? usuallyMissed(finding) : 1 - finding.find_rate;
  if (isTrap && missed < 1) factors.push([percentFine(missed), finding.find_rate === null
    ? "usually not found: too few have answered it to be told of" : `not found yet: the find rate is ${percent(finding.find_rate)}`]);
  const scale = finding.curve === "fitted" ? "as this band scores" : "by the engine's scale";
  factors.push([points(gainOf(finding)), isTrap ? `gain: points that who punishes it scores more than who does not, at most, ${scale}` : `gain: points per game, ${scale}`]);
  const worth = el("li", {}, el("span", { class: "sign" }, "="), el("span", { class: "factor" }, el("b", {}, points(finding.teaching_value)),
    el("span", { class: "means" }, `points in 100 games; ${finding.teaching_value_low < LEAST_TOLD ? "perhaps nothing" : `likely ${worthWords(finding.teaching_value_low)} or more`}`)));
  return [el("h3", {}, "What it is worth"),
    el("ul", { class: "product" },
      ...factors.map(([value, name], at) => el("li", {}, el("span", { class: "sign" }, at ? "×" : "100 ×"), el("span", { class: "factor" }, el("b", {}, value), el("span", { class: "means" }, name)))), worth),
    ...(isTrap && finding.find_rate === null && missed === 1 ? [el("p", { class: "small quiet" }, "How many would find a good answer is not known: it counts as if nobody did.")] : [])];
}

/** The share that misses a punishment which too few had to find to be told of: what its worth was reckoned with. @param {Finding} finding @returns {number} */
function usuallyMissed(finding) {
  const whole = 100 * reachOf(finding) * finding.pick_rate * gainOf(finding);
  const share = whole > 0 ? finding.teaching_value / whole : 1;
  return share > 0.9999 ? 1 : share;
}

/** @param {number} share @returns {string} */
function percentFine(share) {
  return share < 0.1 && share > 0 ? `${(share * 100).toFixed(1)}%` : percent(share);
}

/** @param {number} low @param {number} high @returns {string} */
function range(low, high) {
  return `${Math.round(low * 100)}–${Math.round(high * 100)}%`;
}

/** How often each band makes the mistake. @param {Finding} finding @returns {HTMLElement[]} */
function picksPart(finding) {
  const rows = finding.about.picks;
  if (!rows.length) return [];
  return [el("h3", {}, "How often, by rating"),
    shareTable("Rating band", rows.map(([band, games, at, rate, low, high]) => ({ name: band, games, at, rate, low, high, isThis: band === finding.band })), "Share that chose it, with its interval")];
}

/**
 * Shares with their intervals as a table with a chart in it.
 * @param {string} first @param {{name: string, games: number, at: number, rate: number, low: number, high: number, isThis: boolean}[]} rows @param {string} says @param {string} of what the rows are counts of
 * @returns {HTMLElement}
 */
function shareTable(first, rows, says, of = "games") {
  const most = Math.min(1, Math.ceil(Math.max(0.1, ...rows.map((row) => row.high)) * 10) / 10);
  return el("table", { class: "facts" }, el("caption", { class: "unseen" }, says),
    el("thead", {}, el("tr", {}, ...[first, "", "share", of].map((name) => name ? el("th", { scope: "col" }, name) : el("td", { class: "chart" }, scale(most))))),
    el("tbody", {}, ...rows.map((row) => el("tr", { class: row.isThis ? "this" : null },
      el("td", {}, row.name), el("td", { class: "chart", "aria-hidden": "true" }, whisker(row, most)),
      el("td", {}, percent(row.rate), el("span", { class: "interval" }, ` (${range(row.low, row.high)})`)), el("td", {}, `${count(row.games)} of ${count(row.at)}`)))));
}

/** @param {number} most @returns {Node} */
function scale(most) {
  return el("span", { class: "small quiet", "aria-hidden": "true" }, `0 to ${percent(most)}`);
}

/** @param {{rate: number, low: number, high: number}} row @param {number} most @returns {SVGElement} */
function whisker(row, most) {
  const x = (/** @type {number} */ share) => `${(2 + 96 * share / most).toFixed(2)}%`;
  return svg("svg", { focusable: "false" },
    svg("line", { class: "rule", x1: "2%", x2: "98%", y1: "50%", y2: "50%" }),
    svg("line", { class: "whisker", x1: x(row.low), x2: x(row.high), y1: "50%", y2: "50%" }),
    svg("line", { class: "whisker", x1: x(row.low), x2: x(row.low), y1: "34%", y2: "66%" }),
    svg("line", { class: "whisker", x1: x(row.high), x2: x(row.high), y1: "34%", y2: "66%" }),
    svg("circle", { class: "dot", cx: x(row.rate), cy: "50%", r: 4 }));
}

/** Whether the punishment is found, and what becomes of it. @param {Finding} finding @returns {HTMLElement[]} */
function afterPart(finding) {
  const { found, conversion_expected: expected, conversion_observed: observed } = finding;
  const side = capital(finding.side), after = `After ${moveNumber(finding.about.ply, true)}${finding.about.reply.san}`;
  const sentences = [];
  if (found) sentences.push(found);
  if (expected !== null) sentences.push(`${after} ${side} should score ${percent(expected)}${observed === null ? "" : `, and scores ${percent(observed)}`}.`);
  else if (observed !== null) sentences.push(`${after} ${side} scores ${percent(observed)}.`);
  return [el("h3", {}, "Found, and turned into points"), el("p", {}, sentences.join(" ") || "Not known for this band.")];
}

/** @param {Mistake} about @returns {HTMLElement[]} */
function answersPart(about) {
  const told = about.answers.filter((one) => one.games > 0).slice(0, 6);
  if (!told.length) return [];
  const all = about.answers.reduce((sum, one) => sum + one.games, 0);
  return [el("h3", {}, "What is played against it"),
    el("table", { class: "facts" }, el("thead", {}, el("tr", {}, ...["move", "games, all bands", "gain kept"].map((name) => el("th", { scope: "col" }, name)))),
      el("tbody", {}, ...told.map((one) => el("tr", {}, el("td", {}, moveNumber(about.ply + 1, true) + one.san), el("td", {}, `${count(one.games)} (${percent(one.games / all)})`), el("td", {}, one.kept === null ? "–" : percent(Math.max(0, Math.min(1, one.kept))))))))];
}

/** Where the side that profits goes wrong later. @param {Mistake} about @returns {HTMLElement[]} */
function leaksPart(about) {
  if (!about.leaks.length) return [];
  return [el("h3", {}, "Where the advantage leaks away, all bands"), ...about.leaks.map((sentence) => el("p", { class: "leak" }, sentence))];
}

/** @param {Finding} finding @returns {HTMLElement[]} */
function plansPart(finding) {
  const { about } = finding;
  if (!about.plans.length) return [];
  return [el("h3", {}, "Where the winners' men go"),
    ...plansTold(about.plans).flatMap(({ name, rows: all }) => {
      const rows = all.slice(0, 8);
      return [el("p", { class: "small quiet" }, `${capital(name)}, ${count(rows[0][1])} won games`),
        el("div", { class: "plan-rows" }, journeysPlate(finding, name, rows), el("table", { class: "facts plan" }, el("tbody", {}, ...rows.map(([, , detail, share]) => el("tr", {}, el("td", {}, detail),
          el("td", { class: "chart", "aria-hidden": "true" }, svg("svg", { focusable: "false" }, svg("rect", { class: "bar", x: "2%", y: "33%", height: "34%", width: `${(96 * share).toFixed(2)}%` }))), el("td", {}, percent(share)))))))];
    })];
}

/** The plans of each group of players, the commonest part first; of two with the same plans, which are of the same games, once. @param {PlanRow[]} plans @returns {{name: string, rows: PlanRow[]}[]} */
function plansTold(plans) {
  /** @type {Map<string, {players: string[], rows: PlanRow[]}>} */
  const told = new Map();
  for (const players of new Set(plans.map((row) => row[0]))) {
    const rows = plans.filter((row) => row[0] === players).sort((a, b) => b[3] - a[3] || (a[2] < b[2] ? -1 : 1));
    const same = JSON.stringify(rows.map((row) => row.slice(1)));
    const group = told.get(same) ?? { players: [], rows };
    group.players.push(players === "strongest" ? "the strongest players" : bandWords(players));
    told.set(same, group);
  }
  return [...told.values()].map(({ players: [first, ...others], rows }) => ({ name: others.length ? `${first} (${others.join(", ")})` : first, rows }));
}

/** The men's ways from where they stand after the losing reply; none where the rows tell no way. @param {Finding} finding @param {string} name of the players @param {PlanRow[]} rows @returns {HTMLElement | null} */
function journeysPlate(finding, name, rows) {
  const { about } = finding;
  const told = rows.filter(([, , , , from, to]) => from && to && from !== to);
  if (!told.length) return null;
  const board = afterMove(about.board, about.reply.uci);
  const after = `After ${moveNumber(about.ply, true)}${about.reply.san}`;
  const ways = told.map(([, , detail, share]) => `${detail}, ${percent(share)}`).join("; ");
  return el("figure", { class: "plate journeys" },
    diagram(board, {
      bottom: finding.taught, label: `${after}: arrows show where the men of ${name} go: ${ways}. ${boardWords(board)}`,
      journeys: told.map(([, , , share, from, to]) => ({ ...markOf(from + to), share })),
    }),
    el("figcaption", { class: "caption small" }, `${after}. The wider the arrow, the more games.`));
}

/** @param {Finding} finding @returns {HTMLElement[]} */
function modelsPart(finding) {
  const { models } = finding.about;
  if (!models.length) return [];
  return [el("h3", {}, models.length > 1 ? "Model games" : "A model game"), ...models.map((model, at) => modelGame(finding, model, at + 1))];
}

/** @param {Finding} finding @param {Model} model @param {number} number @returns {HTMLElement} */
function modelGame(finding, model, number) {
  const { comments } = model;
  const beside = new Map(comments?.beside.map((one) => [one.ply, one]));
  const matters = (/** @type {number} */ at) => (comments ? beside.get(at)?.said : model.moments.includes(at)) ? "moment" : "";
  const closed = comments ? "Play through with comments" : "Play through";
  const steps = stepsOf(model.line, 0, "").map((step, at) => ({
    ...step, san: step.san + (beside.get(at)?.sign ?? ""), look: at === model.at ? "key" : `${at < model.at ? "way " : ""}${matters(at)}`,
  }));
  const name = `Game ${number}: ${model.result}${ratings(model)}${/^\d{4}/.test(model.date) ? `, ${model.date}` : ""}`;
  const board = el("div", {});
  const opener = el("button", { type: "button", class: "no-print", "aria-expanded": "false", onclick: toggle }, closed);
  return el("div", { class: "model" }, el("p", {}, `${name} `, opener), board,
    gameText(steps, model.at));

  function toggle() {
    const open = opener.getAttribute("aria-expanded") !== "true";
    opener.setAttribute("aria-expanded", String(open));
    opener.textContent = open ? "Close" : closed;
    const text = /** @type {HTMLElement} */ (board.nextElementSibling);
    text.hidden = open;
    if (!open) return board.replaceChildren();
    stepping = new Stepper([{ name, steps }], { bottom: finding.taught, at: model.at + 1, arrow: false, label: `game ${number}`, comments });
    board.replaceChildren(...(comments ? [el("p", { class: "small" }, `${comments.introduction} Moves that are underlined have a comment.`)] : []), stepping.element);
    stepping.step(0);
  }
}

/** A whole game, the losing reply in bold. @param {Step[]} steps @param {number} at @returns {HTMLElement} */
function gameText(steps, at) {
  const sans = steps.map((one) => one.san);
  const words = (/** @type {number} */ from, /** @type {number} */ to) => sans.slice(from, to).map((san, at) => moveNumber(from + at, false) + san).join(" ");
  return el("p", { class: "small" }, `${words(0, at)} `, el("b", {}, words(at, at + 1)), ` ${words(at + 1, sans.length)}`);
}

/** @param {Model} model @returns {string} */
function ratings(model) {
  const told = [model.winner ? `winner ${model.winner}` : "", model.loser ? `loser ${model.loser}` : ""].filter(Boolean);
  return told.length ? `, ${told.join(", ")}` : "";
}

/** @param {Finding} finding @returns {HTMLElement[]} */
function seasonsPart(finding) {
  const { seasons } = finding.about;
  if (!seasons.length) return [];
  const p = finding.trend_p;
  const trend = finding.trend ? `The share is ${finding.trend}${p === null ? "" : `; chance alone makes such a change ${p < 0.01 ? "in fewer than 1 of 100" : `in ${Math.round(p * 100)} of 100`} cases`}.` : "";
  return [el("h3", {}, "By season, all bands together"),
    shareTable("Season", seasons.map(([name, games, at, rate, low, high]) => ({ name, games, at, rate, low, high, isThis: false })), "Share that chose it in each season"),
    ...(trend ? [el("p", { class: "small" }, trend)] : [])];
}

/** Which motifs the position's games bring. @param {Mistake} about @returns {HTMLElement[]} */
function broughtWords(about) {
  return about.motifs ? [el("h3", {}, "Motifs in its games"), el("p", {}, about.motifs)] : [];
}

/** The same mistake in other bands, and seen by the other side. @param {Page} page @param {Finding} finding @returns {HTMLElement[]} */
function elsewherePart(page, finding) {
  const others = page.findings.filter((one) => one.mistake === finding.mistake && one !== finding);
  if (!others.length) return [];
  return [el("h3", { class: "no-print" }, "The same mistake elsewhere"),
    el("ul", { class: "elsewhere no-print" }, ...others.map((one) => el("li", {},
      el("a", { href: page.linkTo(one) }, `${capital(one.kind)} for ${capital(one.taught)}, ${bandWords(one.band)}`), ` – worth ${worthWords(one.teaching_value)}`)))];
}

/** @param {Mistake} about @returns {HTMLElement[]} */
function sheetPart(about) {
  return [el("h3", { class: "no-print" }, "Make a sheet from it"), el("p", { class: "no-print" }, ...lessonCommand(onlyKeys([about.key])))];
}

/** Arrow keys step, unless they are at work in a field or on the map. @param {KeyboardEvent} event */
function stepByKey(event) {
  const target = /** @type {HTMLElement} */ (event.target);
  if (!stepping || event.altKey || event.ctrlKey || event.metaKey || event.shiftKey || target.closest("input, select, textarea, .map")) return;
  const by = event.key === "ArrowLeft" ? -1 : event.key === "ArrowRight" ? 1 : 0;
  if (!by) return;
  event.preventDefault();
  stepping.step(by);
}
