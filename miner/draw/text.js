"use strict";
/* Elements, numbers and moves in words. Text is only ever put in as text. */

/** @typedef {string | number | boolean | null | ((event: Event) => void)} Attribute none for null and false; `true` has no value */

/**
 * An element with attributes and children; strings become text. A handler is given as `onclick` and the like.
 * @param {string} name @param {Record<string, Attribute>} attributes @param {...(Node | string | null)} children @returns {HTMLElement}
 */
function el(name, attributes = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === null || value === false) continue;
    if (typeof value === "function") element.addEventListener(key.slice(2), value);
    else element.setAttribute(key, value === true ? "" : String(value));
  }
  element.append(.../** @type {(Node | string)[]} */ (children.filter((one) => one !== null)));
  return element;
}

/** A share as a coach says it. @param {number} share @returns {string} */
function percent(share) {
  return share > 0 && share <= 0.005 ? "<1%" : `${Math.round(share * 100)}%`;
}

/** @param {number} value @returns {string} */
function points(value) {
  return value.toFixed(2).replace(/^-0\.00$/, "0.00");
}

/** Points below which three decimals leave nothing. */
const LEAST_TOLD = 0.0005;

/** Points by which something is worth the while, or the least of them. @param {number} value @returns {string} */
function worthWords(value) {
  if (value < LEAST_TOLD) return "perhaps nothing";
  return value < 0.01 ? value.toFixed(3) : points(value);
}

/** @param {number} value @returns {string} */
function count(value) {
  return value.toLocaleString("en-GB");
}

/** The number that a move carries: 3. or 3... @param {number} ply @param {boolean} first @returns {string} */
function moveNumber(ply, first) {
  if (ply % 2 === 0) return `${ply / 2 + 1}.`;
  return first ? `${(ply + 1) / 2}...` : "";
}

/** Moves with their numbers. @param {string[]} sans @param {number} ply of the first @returns {string} */
function numbered(sans, ply) {
  return sans.map((san, at) => moveNumber(ply + at, at === 0) + san).join(" ");
}

/** @param {string} words @returns {string[]} */
function split(words) {
  return words ? words.split(" ") : [];
}

/** @param {string} words @returns {string} */
function capital(words) {
  return words.charAt(0).toUpperCase() + words.slice(1);
}

/** Who is in a band. @param {string} band @returns {string} */
function bandWords(band) {
  if (band === "unrated") return "unrated players";
  if (band === "all") return "players of all bands";
  if (band.includes(", ")) return band.split(", ").map(bandWords).join(" and ");
  if (/^0-\d+$/.test(band)) return `players rated below ${Number(band.slice(2)) + 1}`;
  return band.endsWith("+") ? `players rated ${band.slice(0, -1)} and above` : `players rated ${band}`;
}

/** Let a screen reader say it. @param {string} words */
function tell(words) {
  const told = document.getElementById("told");
  if (told) told.textContent = words;
}
