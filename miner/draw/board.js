"use strict";
/* Positions and the diagrams that show them. */

/** @typedef {(string | null)[]} Board 64 squares from a1 to h8; a piece is its FEN letter */
/** @typedef {{san: string, uci: string}} Line moves, space-separated, in both notations */
/** @typedef {{from: number, to: number}} Mark a move to be marked */
/** @typedef {Mark & {share: number}} Journey a man's way in one or more moves; `share` (0 to 1): of the games */

const SVG = "http://www.w3.org/2000/svg";
const START = "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 1";
const PIECE_NAMES = { k: "king", q: "queen", r: "rook", b: "bishop", n: "knight", p: "pawn" };
const SIZE = 45;

/** The board of a FEN. @param {string} fen @returns {Board} */
function boardOf(fen) {
  /** @type {Board} */
  const board = Array(64).fill(null);
  fen.split(" ")[0].split("/").forEach((rank, row) => {
    let file = 0;
    for (const one of rank) {
      if (/\d/.test(one)) file += Number(one);
      else board[(7 - row) * 8 + file++] = one;
    }
  });
  return board;
}

/** @param {string} name @returns {number} */
function squareOf(name) {
  return "abcdefgh".indexOf(name[0]) + 8 * (Number(name[1]) - 1);
}

/** @param {number} square @returns {string} */
function squareName(square) {
  return "abcdefgh"[square % 8] + (Math.floor(square / 8) + 1);
}

/** @param {string} uci @returns {Mark} */
function markOf(uci) {
  return { from: squareOf(uci.slice(0, 2)), to: squareOf(uci.slice(2, 4)) };
}

/** The board after a legal move: castling, en passant and promotion included. @param {Board} board @param {string} uci @returns {Board} */
function afterMove(board, uci) {
  const { from, to } = markOf(uci);
  const next = board.slice();
  const piece = /** @type {string} */ (board[from]);
  const isPawn = piece.toLowerCase() === "p";
  if (isPawn && from % 8 !== to % 8 && !board[to]) next[Math.floor(from / 8) * 8 + (to % 8)] = null;
  if (piece.toLowerCase() === "k" && Math.abs((to % 8) - (from % 8)) === 2) moveRook(next, from, to);
  next[to] = uci.length > 4 ? promoted(piece, uci[4]) : piece;
  next[from] = null;
  return next;
}

/** @param {string} pawn @param {string} kind @returns {string} */
function promoted(pawn, kind) {
  return pawn === "P" ? kind.toUpperCase() : kind;
}

/** Bring the rook over when a king castles. @param {Board} board @param {number} from @param {number} to */
function moveRook(board, from, to) {
  const corner = to > from ? from + 3 : from - 4;
  board[(from + to) / 2] = board[corner];
  board[corner] = null;
}

/** The board after several moves. @param {Board} board @param {string[]} ucis @returns {Board} */
function afterMoves(board, ucis) {
  return ucis.reduce(afterMove, board);
}

/**
 * An SVG element with attributes.
 * @param {string} name @param {Record<string, string | number>} attributes @param {...Node} children @returns {SVGElement}
 */
function svg(name, attributes = {}, ...children) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, String(value));
  element.append(...children);
  return element;
}

const DARK_SQUARES = Array.from({ length: 64 }, (_, at) => at)
  .filter((at) => (at + Math.floor(at / 8)) % 2 === 1)
  .map((at) => `M${(at % 8) * SIZE} ${Math.floor(at / 8) * SIZE}h${SIZE}v${SIZE}h-${SIZE}z`)
  .join("");

/**
 * A diagram as books print it.
 * @param {Board} board
 * @param {{bottom: string, arrow?: Mark | null, journeys?: Journey[], frames?: Mark | null, coordinates?: boolean, label: string}} how `bottom`: the side at the bottom
 * @returns {SVGElement}
 */
function diagram(board, how) {
  const edge = how.coordinates === false ? 2 : 20;
  const whole = 8 * SIZE;
  const picture = svg("svg", {
    viewBox: how.coordinates === false ? `-2 -2 ${whole + 4} ${whole + 4}` : `-20 -4 ${whole + 24} ${whole + edge + 4}`,
    class: "diagram", role: "img", "aria-label": how.label,
  });
  picture.append(
    svg("rect", { class: "light", width: whole, height: whole }),
    svg("path", { class: "dark", d: DARK_SQUARES }),
    svg("rect", { class: "frame", x: -1, y: -1, width: whole + 2, height: whole + 2 }),
  );
  if (how.frames) picture.append(...squareFrames(how.frames, how.bottom));
  picture.append(...pieces(board, how.bottom));
  if (how.journeys) picture.append(...journeyArrows(how.journeys, how.bottom));
  if (how.arrow) picture.append(...arrow(how.arrow, how.bottom));
  if (how.coordinates !== false) picture.append(...coordinates(how.bottom));
  return picture;
}

/** Upper left corner of a square. @param {number} square @param {string} bottom @returns {{x: number, y: number}} */
function corner(square, bottom) {
  const file = square % 8, rank = Math.floor(square / 8);
  return bottom === "black" ? { x: (7 - file) * SIZE, y: rank * SIZE } : { x: file * SIZE, y: (7 - rank) * SIZE };
}

/** @param {Board} board @param {string} bottom @returns {SVGElement[]} */
function pieces(board, bottom) {
  return board.flatMap((piece, square) => {
    if (!piece) return [];
    const { x, y } = corner(square, bottom);
    return [svg("use", { href: `#piece-${piece}`, x, y, width: SIZE, height: SIZE })];
  });
}

/** @param {Mark} mark @param {string} bottom @returns {SVGElement[]} */
function squareFrames(mark, bottom) {
  return [["from", mark.from], ["to", mark.to]].map(([kind, square]) => {
    const { x, y } = corner(Number(square), bottom);
    return svg("rect", { class: `square-mark ${kind}`, x: x + 1.5, y: y + 1.5, width: SIZE - 3, height: SIZE - 3 });
  });
}

/** @param {Mark} mark @param {string} bottom @returns {SVGElement[]} */
function arrow(mark, bottom) {
  const d = shaft(mark, bottom);
  return [svg("path", { class: "arrow-under", d }), svg("path", { class: "arrow", d, "marker-end": "url(#arrow-head)" })];
}

/** Arrows as wide as their share is large; the long ones below, so that each head is seen. @param {Journey[]} journeys @param {string} bottom @returns {SVGElement[]} */
function journeyArrows(journeys, bottom) {
  const length = (/** @type {Mark} */ { from, to }) => Math.hypot((to % 8) - (from % 8), Math.floor(to / 8) - Math.floor(from / 8));
  return [...journeys].sort((a, b) => length(b) - length(a)).flatMap((journey) => {
    const d = shaft(journey, bottom), width = 2 + 6 * journey.share;
    return [svg("path", { class: "journey-under", d, "stroke-width": (width + 4).toFixed(1) }),
      svg("path", { class: "journey", d, "stroke-width": width.toFixed(1), "marker-end": "url(#arrow-head)" })];
  });
}

/** The way of an arrow, from square to square. @param {Mark} mark @param {string} bottom @returns {string} */
function shaft(mark, bottom) {
  const start = corner(mark.from, bottom), end = corner(mark.to, bottom);
  const across = end.x - start.x, down = end.y - start.y;
  const length = Math.hypot(across, down);
  const point = (/** @type {{x: number, y: number}} */ at, /** @type {number} */ by) =>
    `${(at.x + SIZE / 2 + (across / length) * by).toFixed(1)} ${(at.y + SIZE / 2 + (down / length) * by).toFixed(1)}`;
  return `M${point(start, 12)}L${point(end, -9)}`;
}

/** @param {string} bottom @returns {SVGElement[]} */
function coordinates(bottom) {
  return Array.from({ length: 8 }, (_, at) => {
    const one = bottom === "black" ? 7 - at : at;
    return [text("abcdefgh"[one], at * SIZE + SIZE / 2, 8 * SIZE + 15), text(String(8 - one), -11, at * SIZE + SIZE / 2 + 5)];
  }).flat();

  /** @param {string} words @param {number} x @param {number} y @returns {SVGElement} */
  function text(words, x, y) {
    return svg("text", { class: "coordinate", x, y, "aria-hidden": "true" }, document.createTextNode(words));
  }
}

/** Where the pieces stand, in words. @param {Board} board @returns {string} */
function boardWords(board) {
  return ["White", "Black"].map((side) => `${side}: ${menWords(board, side === "White")}`).join("; ");
}

/** @param {Board} board @param {boolean} white @returns {string} */
function menWords(board, white) {
  const wanted = white ? "KQRBNP" : "kqrbnp";
  return [...wanted].flatMap((piece) => {
    const squares = board.flatMap((one, square) => (one === piece ? [squareName(square)] : []));
    if (!squares.length) return [];
    const name = PIECE_NAMES[/** @type {keyof typeof PIECE_NAMES} */ (piece.toLowerCase())];
    return [`${name}${squares.length > 1 ? "s" : ""} ${squares.join(" ")}`];
  }).join(", ");
}
