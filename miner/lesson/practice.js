"use strict";
/* The page: one exercise after the other, what became of it, and what is kept of that. */

/**
 * `PracticeWords` is made from the English table `practice` of phrases.toml: see `make page-types`.
 * @typedef {{id: string, number: number, fen: string, ply: number, bottom: string, mistake: string, played: boolean,
 *   task: string, before: string, english: string, moves: Line, answers: string[], line: Line, motif: string, others: string,
 *   as_good: string, why: string, game: string}} PracticeTask `mistake`: the losing reply, on the board already if it is `played`
 * @typedef {{lang: string, days: number[], example: string, words: PracticeWords, exercises: PracticeTask[]}} PracticeContents
 */

/** Where the browser keeps it: for all such pages, since an exercise may be on several. */
const STORED = "opening-practice";

/** A phrase with what stands in braces filled in. @param {string} phrase @param {Record<string, string | number>} values @returns {string} */
function filled(phrase, values) {
  return phrase.replace(/\{(\w+)\}/g, (whole, name) => String(values[name] ?? whole));
}

/** What the browser keeps, if it keeps anything. @returns {Kepts} */
function storedKepts() {
  try {
    return keptsIn(localStorage.getItem(STORED) || "") || new Map();
  } catch {
    return new Map();
  }
}

/** @param {Kepts} kepts @returns {boolean} whether the browser keeps it */
function store(kepts) {
  try {
    localStorage.setItem(STORED, keptsText(kepts));
    return true;
  } catch {
    return false;
  }
}

/** A typed move as it is compared: without signs and the `x` of captures, whichever way castling and promotion are written. @param {string} san @returns {string} */
function bareMove(san) {
  return san.replace(/^\s*\d+\s*\.+/, "").replace(/[+#!?=x:\s-]/g, "").replace(/^00+$/, (zeros) => "O".repeat(zeros.length));
}

/** The move that is typed, in the page's notation, in English or from square to square. @param {PracticeTask} task @param {string} typed @returns {string | undefined} */
function typedMove(task, typed) {
  const ucis = split(task.moves.uci), wanted = bareMove(typed);
  for (const sans of [split(task.moves.san), split(task.english), ucis]) {
    const at = sans.findIndex((san) => bareMove(san) === wanted);
    if (at >= 0) return ucis[at];
  }
  const alike = split(task.moves.san).flatMap((san, at) => (bareMove(san).toLowerCase() === wanted.toLowerCase() ? [ucis[at]] : []));
  return alike.length === 1 ? alike[0] : undefined;
}

/** An exercise in front of the pupil. */
class Work {
  /** @param {Practice} page @param {PracticeTask} task */
  constructor(page, task) {
    this.page = page;
    this.words = page.words;
    this.task = task;
    this.hints = 0;
    this.tries = 0;
    /** Whether a move was tried of which nobody knows how good it is. */
    this.isOpen = false;
    this.isOver = false;
    /** Moves of the answer's line that are on the board. */
    this.at = 0;
    /** @type {HTMLElement[]} */
    this.stepButtons = [];
    this.board = new PlayBoard(this.words, (ucis) => this.play(ucis));
    this.lines = el("ol", { class: "tries" });
    this.said = el("p", { class: "said" });
    this.below = el("div", {});
    this.field = /** @type {HTMLInputElement} */ (el("input", { type: "text", id: "your-move", autocomplete: "off", autocapitalize: "off", spellcheck: "false" }));
    this.element = el("article", { class: "task", "aria-labelledby": "task-title" },
      el("div", { class: "asked" },
        el("h2", { id: "task-title", tabindex: -1 }, filled(this.words.exercise, { n: task.number })),
        el("p", { class: "lead" }, task.task),
        task.before ? el("p", { class: "quiet" }, filled(this.words.so_far, { moves: task.before })) : null),
      this.board.element, el("div", { class: "work" }, this.lines, this.below, this.said));
    this.ask();
  }

  ask() {
    const { task, words } = this;
    this.board.show({ fen: task.fen, ucis: [], bottom: task.bottom, moves: split(task.moves.uci), ...this.marks() });
    this.below.replaceChildren(
      el("form", { class: "answer-form no-print", onsubmit: (/** @type {Event} */ event) => this.write(event) },
        el("div", {}, el("label", { for: "your-move" }, words.your_move), this.field), el("button", {}, words.enter)),
      el("div", { class: "choice no-print" },
        el("button", { type: "button", id: "hint", onclick: () => this.hint() }, words.hint),
        el("button", { type: "button", id: "show", onclick: () => this.end(task.answers[0], false) }, words.show)));
  }

  /** What is marked before the answer: the mistake, made or only thought of. @returns {{frames: Mark | null, arrow: Mark | null}} */
  marks() {
    const mark = markOf(this.task.mistake);
    return this.task.played ? { frames: mark, arrow: null } : { frames: null, arrow: mark };
  }

  /** @param {Event} event */
  write(event) {
    event.preventDefault();
    const typed = this.field.value.trim();
    if (!typed) return;
    const uci = typedMove(this.task, typed);
    if (uci) this.judge(uci);
    else this.say(filled(this.words.unplayable, { move: typed, example: this.page.contents.example }));
    this.field.select();
  }

  /** @param {string[]} ucis several: what a pawn may become */
  play(ucis) {
    if (ucis.length === 1) this.judge(ucis[0]);
    else this.chooseKind(ucis);
  }

  /** Let the pupil choose what a pawn becomes. @param {string[]} ucis */
  chooseKind(ucis) {
    const men = / w /.test(this.task.fen) ? this.words.white_men : this.words.black_men;
    const buttons = [..."qrbn"].flatMap((kind) => ucis.filter((uci) => uci.endsWith(kind)).map((uci) =>
      el("button", { type: "button", onclick: () => { choice.remove(); this.judge(uci); } }, men["kqrbn".indexOf(kind)])));
    const choice = el("div", { class: "choice", role: "group", "aria-labelledby": "becomes" }, el("p", { id: "becomes" }, this.words.becomes), ...buttons);
    choice.addEventListener("keydown", (event) => { if (event.key === "Escape") { choice.remove(); this.board.putBack(); } });
    this.below.prepend(choice);
    buttons[0].focus();
  }

  /** @param {string} uci @returns {string} the move with its number */
  moveWords(uci) {
    const at = split(this.task.moves.uci).indexOf(uci);
    return moveNumber(this.task.ply, true) + split(this.task.moves.san)[at];
  }

  /** @param {string} uci */
  judge(uci) {
    this.field.value = "";
    if (this.task.answers.includes(uci)) {
      this.end(uci, true);
      return;
    }
    // Of moves that only are not the best one, nobody has asked how good they are: they do not count as wrong.
    const isOther = !this.task.played && uci !== this.task.mistake, move = this.moveWords(uci);
    if (isOther) this.isOpen = true;
    else this.tries++;
    this.lines.append(el("li", {}, isOther ? move : el("s", {}, move)));
    this.board.show(this.board.position);
    this.say(filled(isOther ? this.words.other : this.words.wrong, { move }));
  }

  /** First what to look for, then who moves. */
  hint() {
    const { task, words } = this;
    const from = squareOf(task.answers[0]), man = this.board.manWords(from);
    const who = filled(words.this_man, { man, square: squareName(from) });
    const hints = task.motif ? [filled(words.look_for, { motif: task.motif }), who] : [who];
    this.hints++;
    if (this.hints === hints.length) this.board.pick(from);
    this.say(hints[this.hints - 1]);
    if (this.hints < hints.length) return;
    const button = /** @type {HTMLButtonElement} */ (document.getElementById("hint"));
    if (document.activeElement === button) document.getElementById("show")?.focus();
    button.disabled = true;
  }

  /** @param {string} words */
  say(words) {
    this.said.textContent = words;
    tell(words);
  }

  /** The answer and all that there is to say about it. @param {string} uci @param {boolean} isFound or else shown */
  end(uci, isFound) {
    const { task, words, page } = this;
    this.isOver = true;
    const isAlone = !this.hints && !this.tries;
    page.done(task.id, isAlone && this.isOpen ? null : isAlone && isFound);
    const comes = page.comesWords(task.id), move = this.moveWords(uci);
    this.lines.append(el("li", {}, isFound ? el("b", {}, move) : move));
    const next = el("button", { type: "button", class: "primary", id: "next", onclick: () => page.next() }, words.next);
    const right = isFound ? filled(words.right, { move }) : "";
    this.below.replaceChildren(el("p", { class: "said" }, right), el("div", { class: "choice no-print" }, next), this.answerPart(comes));
    this.said.textContent = "";
    this.at = uci === task.answers[0] ? 1 : 0;
    this.draw([uci]);
    next.focus({ preventScroll: true });
    tell([right, task.why, task.game, comes].filter(Boolean).join(" "));
  }

  /** The answer's line to step through, its reason, and what was played. @param {string} comes @returns {HTMLElement} */
  answerPart(comes) {
    const { task, words } = this;
    this.stepButtons = split(task.line.san).map((san, at) =>
      el("button", { type: "button", onclick: () => this.stepTo(at + 1) }, moveNumber(task.ply + at, at === 0) + san));
    const step = (/** @type {string} */ name, /** @type {() => number} */ to) => el("button", { type: "button", onclick: () => this.stepTo(to()) }, name);
    return el("div", { class: "answer" },
      el("h3", {}, words.answer),
      el("p", { class: "line" }, ...this.stepButtons.flatMap((button) => [button, " "]), ...(task.others ? [`/ ${task.others}`] : []), task.as_good),
      el("div", { class: "steps no-print", role: "group", "aria-label": words.steps },
        step(words.first, () => 0), step(words.back, () => this.at - 1), step(words.forward, () => this.at + 1), step(words.last, () => this.line.length)),
      el("p", {}, task.why), task.game ? el("p", {}, task.game) : null, el("p", { class: "quiet" }, comes));
  }

  get line() {
    return split(this.task.line.uci);
  }

  /** @param {number} at */
  stepTo(at) {
    if (!this.isOver) return;
    this.at = Math.max(0, Math.min(this.line.length, at));
    this.draw(this.line.slice(0, this.at));
    const last = this.stepButtons[this.at - 1];
    tell(last ? filled(this.words.after, { move: last.textContent || "" }) : this.task.task);
  }

  /** @param {string[]} ucis */
  draw(ucis) {
    const { fen, bottom } = this.task;
    const marks = ucis.length ? { frames: markOf(ucis[ucis.length - 1]), arrow: null } : this.marks();
    this.board.show({ fen, ucis, bottom, moves: [], ...marks });
    this.stepButtons.forEach((button, at) => {
      if (at === this.at - 1) button.setAttribute("aria-current", "step");
      else button.removeAttribute("aria-current");
    });
  }
}

class Practice {
  /** @param {PracticeContents} contents */
  constructor(contents) {
    this.contents = contents;
    this.words = contents.words;
    this.tasks = new Map(contents.exercises.map((one) => [one.id, one]));
    this.sitting = new Sitting([...this.tasks.keys()], storedKepts(), contents.days);
    this.isKept = store(this.sitting.kepts);
    /** @type {Work | null} */
    this.work = null;
    this.place = el("div", {});
    this.all = el("tbody", {});
    this.keeping = el("p", { id: "keeping" });
  }

  begin() {
    const { words } = this;
    /** @type {HTMLElement} */ (document.getElementById("intro")).textContent = filled(words.intro, { n: this.tasks.size });
    const main = /** @type {HTMLElement} */ (document.getElementById("main"));
    main.replaceChildren(this.place, el("p", { id: "keys", class: "small quiet no-print" }, words.keys),
      el("section", { class: "no-print", "aria-labelledby": "all-title" }, el("h2", { id: "all-title" }, words.all),
        el("table", { class: "all" }, this.all)),
      el("section", { class: "no-print", "aria-labelledby": "record-title" }, el("h2", { id: "record-title" }, words.record), this.keeping, this.buttons()));
    document.getElementById("skip")?.addEventListener("click", () => main.focus());
    document.addEventListener("keydown", (event) => this.key(event));
    this.next(false);
  }

  /** @returns {string} */
  today() {
    return dayOf(new Date());
  }

  /** Show what comes next, or that nothing does. @param {boolean} focus */
  next(focus = true) {
    const id = this.sitting.next(this.today());
    if (id === null) this.rest();
    else this.open(id, focus);
  }

  /** @param {string} id @param {boolean} focus */
  open(id, focus = true) {
    this.work = new Work(this, /** @type {PracticeTask} */ (this.tasks.get(id)));
    this.place.replaceChildren(this.work.element);
    this.list();
    if (!focus) return;
    document.getElementById("task-title")?.focus({ preventScroll: true });
    window.scrollTo(0, 0);
  }

  /** Nothing is left for today. */
  rest() {
    const { words } = this;
    this.work = null;
    this.sitting.ahead = null;
    const begin = () => { this.sitting.ahead = new Set(); this.next(); };
    this.place.replaceChildren(el("section", { "aria-labelledby": "task-title" },
      el("h2", { id: "task-title", tabindex: -1 }, words.done),
      el("p", { class: "lead" }, filled(words.next_due, { day: this.dayWords(this.sitting.nextDay()) })),
      el("p", { class: "no-print" }, el("button", { type: "button", id: "go-on", onclick: begin }, words.go_on))));
    this.list();
    document.getElementById("task-title")?.focus();
  }

  /** @param {string} id @param {boolean | null} well */
  done(id, well) {
    this.sitting.done(id, well, this.today());
    // What another page has put there since stays.
    const kept = /** @type {Kept} */ (this.sitting.kepts.get(id));
    this.isKept = store(storedKepts().set(id, kept));
    this.list();
  }

  /** The exercises, each with its day. */
  list() {
    const { words } = this, today = this.today();
    this.all.replaceChildren(...[...this.tasks.values()].map((task) => {
      const due = this.sitting.due(task.id);
      const when = !due ? words.new : due <= today ? words.due : filled(words.later, { day: this.dayWords(due) });
      const isOpen = this.work?.task === task;
      return el("tr", {}, el("td", {}, el("button", { type: "button", "aria-current": isOpen ? "true" : null, onclick: () => this.open(task.id) }, `${task.number}. ${task.task}`)), el("td", {}, when));
    }));
    this.keeping.textContent = this.isKept ? words.kept : words.not_kept;
  }

  /** @param {string} id @returns {string} */
  comesWords(id) {
    const due = this.sitting.due(id);
    return due <= this.today() ? this.words.comes_soon : filled(this.words.comes, { day: this.dayWords(due) });
  }

  /** @param {string} day @returns {string} */
  dayWords(day) {
    if (day === dayAfter(this.today(), 1)) return this.words.tomorrow;
    const written = new Intl.DateTimeFormat(this.contents.lang === "en" ? "en-GB" : this.contents.lang, { day: "numeric", month: "long" }).format(dateOf(day));
    return filled(this.words.on_day, { day: written });
  }

  /** Save, load and forget. @returns {HTMLElement} */
  buttons() {
    const { words } = this;
    const file = /** @type {HTMLInputElement} */ (el("input", { type: "file", id: "file", accept: ".json,application/json", hidden: true, onchange: () => this.load(file) }));
    const forget = el("button", { type: "button", id: "forget", onclick: () => this.forget(forget), onblur: () => { forget.textContent = words.forget; } }, words.forget);
    return el("p", { class: "choice" }, el("button", { type: "button", id: "save", onclick: () => this.save() }, words.save),
      el("button", { type: "button", id: "load", onclick: () => file.click() }, words.load), file, forget);
  }

  /** What is kept of this page's exercises. @returns {Kepts} */
  own() {
    return new Map([...this.sitting.kepts].filter(([id]) => this.tasks.has(id)));
  }

  save() {
    const url = URL.createObjectURL(new Blob([keptsText(this.own())], { type: "application/json" }));
    el("a", { href: url, download: "practice.json" }).click();
    setTimeout(() => URL.revokeObjectURL(url), 1000);
  }

  /** @param {HTMLInputElement} input */
  async load(input) {
    const text = await input.files?.[0]?.text().catch(() => "");
    input.value = "";
    if (text === undefined) return;
    const kepts = keptsIn(text);
    if (kepts === null) {
      this.tellKeeping(this.words.unreadable);
      return;
    }
    this.restart(new Map([...storedKepts(), ...this.own(), ...kepts]), this.words.loaded);
  }

  /** @param {HTMLElement} button */
  forget(button) {
    if (button.textContent === this.words.forget) {
      button.textContent = this.words.forget_sure;
      return;
    }
    button.textContent = this.words.forget;
    this.restart(new Map([...storedKepts()].filter(([id]) => !this.tasks.has(id))), this.words.forgotten);
  }

  /** @param {Kepts} kepts @param {string} words */
  restart(kepts, words) {
    this.sitting = new Sitting([...this.tasks.keys()], kepts, this.contents.days);
    this.isKept = store(kepts);
    this.next(false);
    this.tellKeeping(words);
  }

  /** @param {string} words */
  tellKeeping(words) {
    this.keeping.textContent = words;
    tell(words);
  }

  /** Step through an answer with the arrow keys. @param {KeyboardEvent} event */
  key(event) {
    const by = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    const target = /** @type {HTMLElement} */ (event.target);
    if (!by || !this.work || target.closest(".cells, input") || event.altKey || event.ctrlKey || event.metaKey) return;
    this.work.stepTo(this.work.at + by);
  }
}

new Practice(JSON.parse(/** @type {HTMLElement} */ (document.getElementById("contents")).textContent || "")).begin();
document.documentElement.dataset.ready = "yes";
