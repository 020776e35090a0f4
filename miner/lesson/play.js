"use strict";
/* A board on which moves are made: by mouse, by finger, or square by square with the keyboard. */

/** @typedef {{fen: string, ucis: string[], bottom: string, moves: string[], frames: Mark | null, arrow: Mark | null}} Position
 * the FEN with the moves made since, and what may be played there */

const STEPS = /** @type {const} */ ({ ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] });

class PlayBoard {
  /** @param {PracticeWords} words @param {(ucis: string[]) => void} play is given a move, or a promotion in all its kinds */
  constructor(words, play) {
    this.words = words;
    this.play = play;
    /** @type {Position} */
    this.position = { fen: START, ucis: [], bottom: "white", moves: [], frames: null, arrow: null };
    this.board = boardOf(START);
    /** @type {number | null} */
    this.picked = null;
    /** The square under the finger, or where the man was taken up. @type {{from: number, was: boolean, id: number} | null} */
    this.held = null;
    this.picture = el("div", { "aria-hidden": "true" });
    this.cells = Array.from({ length: 64 }, (_, at) => el("div", { role: "gridcell", class: "cell", tabindex: at ? -1 : 0 }));
    const rows = Array.from({ length: 8 }, (_, row) => el("div", { role: "row" }, ...this.cells.slice(row * 8, row * 8 + 8)));
    this.grid = el("div", { class: "cells", role: "grid", "aria-label": words.board, "aria-describedby": "keys" }, ...rows);
    this.element = el("div", { class: "play" }, this.picture, this.grid);
    this.listen();
  }

  listen() {
    this.grid.addEventListener("keydown", (event) => this.key(event));
    this.grid.addEventListener("pointerdown", (event) => this.down(event));
    this.grid.addEventListener("pointermove", (event) => this.move(event));
    this.grid.addEventListener("pointerup", (event) => this.up(event));
    this.grid.addEventListener("pointercancel", () => this.drop());
  }

  /** @param {Position} position */
  show(position) {
    this.position = position;
    this.board = afterMoves(boardOf(position.fen), position.ucis);
    this.picked = this.held = null;
    this.draw();
  }

  draw() {
    const { bottom, frames, arrow } = this.position;
    const picture = diagram(this.board, { bottom, frames, arrow, label: "" });
    picture.removeAttribute("role");
    picture.removeAttribute("aria-label");
    this.picture.replaceChildren(picture);
    this.cells.forEach((cell, at) => this.drawCell(cell, this.squareAt(at)));
  }

  /** @param {HTMLElement} cell @param {number} square */
  drawCell(cell, square) {
    const isPicked = square === this.picked;
    cell.classList.toggle("own", this.isOwn(square));
    cell.classList.toggle("picked", isPicked);
    cell.classList.toggle("target", this.picked !== null && this.between(this.picked, square).length > 0);
    cell.setAttribute("aria-selected", String(isPicked));
    cell.setAttribute("aria-label", `${squareName(square)}, ${this.manWords(square)}`);
  }

  /** The man on a square. @param {number} square @returns {string} */
  manWords(square) {
    const man = this.board[square];
    if (!man) return this.words.empty;
    return (man === man.toUpperCase() ? this.words.white_men : this.words.black_men)["KQRBNP".indexOf(man.toUpperCase())];
  }

  /** The square of a cell; the same the other way round. @param {number} at @returns {number} */
  squareAt(at) {
    const column = at % 8, row = Math.floor(at / 8);
    return this.position.bottom === "black" ? row * 8 + 7 - column : (7 - row) * 8 + column;
  }

  /** @param {number} square @returns {boolean} */
  isOwn(square) {
    return this.position.moves.some((uci) => squareOf(uci) === square);
  }

  /** The moves from a square to another: several where a pawn promotes. @param {number} from @param {number} to @returns {string[]} */
  between(from, to) {
    return this.position.moves.filter((uci) => squareOf(uci) === from && squareOf(uci.slice(2)) === to);
  }

  /** Take a man up, put it down, or put it back. @param {number} square */
  choose(square) {
    const moves = this.picked === null ? [] : this.between(this.picked, square);
    if (moves.length) this.play(moves);
    else if (square === this.picked) this.putBack();
    else if (this.isOwn(square)) this.pick(square);
    else tell(filled(this.words.nothing, { square: squareName(square) }));
  }

  /** @param {number} square */
  pick(square) {
    this.picked = square;
    this.draw();
    tell(filled(this.words.picked, { man: this.manWords(square), square: squareName(square) }));
  }

  putBack() {
    if (this.picked === null) return;
    this.picked = null;
    this.draw();
    tell(this.words.let_go);
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    const at = this.cells.indexOf(/** @type {HTMLElement} */ (event.target));
    const step = STEPS[/** @type {keyof typeof STEPS} */ (event.key)];
    if (step) this.go(at % 8 + step[0], Math.floor(at / 8) + step[1]);
    else if (event.key === "Enter" || event.key === " ") this.choose(this.squareAt(at));
    else if (event.key === "Escape") this.putBack();
    else return;
    event.preventDefault();
  }

  /** Go to a cell, if there is one. @param {number} column @param {number} row */
  go(column, row) {
    if (Math.min(column, row) < 0 || Math.max(column, row) > 7) return;
    this.here(row * 8 + column).focus();
  }

  /** The cell by which the keyboard enters the board. @param {number} at @returns {HTMLElement} */
  here(at) {
    this.cells.forEach((cell, one) => cell.setAttribute("tabindex", one === at ? "0" : "-1"));
    return this.cells[at];
  }

  /** The square under a pointer; null: none. @param {PointerEvent} event @returns {number | null} */
  under(event) {
    const box = this.grid.getBoundingClientRect();
    const column = Math.floor(((event.clientX - box.left) / box.width) * 8), row = Math.floor(((event.clientY - box.top) / box.height) * 8);
    return Math.min(column, row) < 0 || Math.max(column, row) > 7 ? null : this.squareAt(row * 8 + column);
  }

  /** @param {PointerEvent} event */
  down(event) {
    const square = this.under(event);
    if (square === null || !event.isPrimary || event.button) return;
    this.here(this.squareAt(square));
    this.held = { from: square, was: square === this.picked, id: event.pointerId };
    if (this.isOwn(square)) {
      this.grid.setPointerCapture(event.pointerId);
      if (!this.held.was) this.pick(square);
    }
  }

  /** The man follows the pointer. @param {PointerEvent} event */
  move(event) {
    if (this.held?.id !== event.pointerId || this.held.from !== this.picked) return;
    const box = this.grid.getBoundingClientRect(), { x, y } = corner(this.picked, this.position.bottom);
    const man = this.picture.querySelector("use.carried") || this.picture.querySelector(`use[x="${x}"][y="${y}"]`);
    if (!man) return;
    man.classList.add("carried");
    man.parentNode?.append(man);
    man.setAttribute("x", String(((event.clientX - box.left) / box.width) * 8 * SIZE - SIZE / 2));
    man.setAttribute("y", String(((event.clientY - box.top) / box.height) * 8 * SIZE - SIZE / 2));
  }

  /** @param {PointerEvent} event */
  up(event) {
    const held = this.held, square = this.under(event);
    this.held = null;
    if (held?.id !== event.pointerId || square === null) this.drop();
    else if (square !== held.from) this.carried(held.from, square);
    else if (held.was || held.from !== this.picked) this.choose(square);
    else this.draw();
  }

  /** @param {number} from @param {number} to */
  carried(from, to) {
    const moves = this.between(from, to);
    if (from === this.picked && moves.length) this.play(moves);
    else this.drop();
  }

  /** The man goes back to its square and stays taken up. */
  drop() {
    this.held = null;
    this.draw();
  }
}
