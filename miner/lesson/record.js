"use strict";
/* When each exercise comes again, by how it went: nothing of the page, and nothing but days. */

/** @typedef {{step: number, due: string}} Kept `step`: times it went well in a row; `due`: a day such as 2025-09-15 */
/** @typedef {Map<string, Kept>} Kepts by the exercises' ids */

/** Exercises that are done before one that needed help comes again. */
const SOON = 3;

/** A day of the calendar where the browser is. @param {Date} date @returns {string} */
function dayOf(date) {
  const two = (/** @type {number} */ number) => String(number).padStart(2, "0");
  return `${date.getFullYear()}-${two(date.getMonth() + 1)}-${two(date.getDate())}`;
}

/** @param {string} day @returns {Date} its noon, which no change of the clock takes into another day */
function dateOf(day) {
  return new Date(`${day}T12:00`);
}

/** @param {string} day @param {number} days @returns {string} */
function dayAfter(day, days) {
  const date = dateOf(day);
  date.setDate(date.getDate() + days);
  return dayOf(date);
}

/**
 * What is kept of an exercise once it has been done. What went well before its day stays where it was.
 * @param {Kept | undefined} kept @param {boolean | null} well at the first try, without help; null: not known @param {string} today
 * @param {number[]} days until it comes again, for each step @returns {Kept}
 */
function keptAfter(kept, well, today, days) {
  if (well === false) return { step: 0, due: today };
  if (kept && kept.due > today) return kept;
  const step = kept ? kept.step : 0;
  if (well === null) return { step, due: dayAfter(today, days[0]) };
  return { step: step + 1, due: dayAfter(today, days[Math.min(step, days.length - 1)]) };
}

/** The order of exercises while a pupil sits at the page. */
class Sitting {
  /** @param {string[]} ids from the easiest to the hardest @param {Kepts} kepts @param {number[]} days */
  constructor(ids, kepts, days) {
    this.ids = ids;
    this.kepts = kepts;
    this.days = days;
    /** How many others come before what needed help. @type {Map<string, number>} */
    this.waiting = new Map();
    /** Done already, since what comes next is done before its day. @type {Set<string> | null} */
    this.ahead = null;
  }

  /** The exercise that comes next; null: all have been done for today. @param {string} today @returns {string | null} */
  next(today) {
    const soonest = [...this.waiting].sort((one, other) => one[1] - other[1]);
    if (soonest.length && soonest[0][1] <= 0) return soonest[0][0];
    const other = this.ids.filter((id) => !this.waiting.has(id));
    const isDue = (/** @type {string} */ id) => this.due(id) <= today;
    return byDay(other.filter((id) => this.kepts.has(id) && isDue(id)), this.kepts)[0]
      || other.find((id) => !this.kepts.has(id))
      || soonest[0]?.[0]
      || (this.ahead && byDay(other.filter((id) => !this.ahead?.has(id)), this.kepts)[0])
      || null;
  }

  /** The day of an exercise; empty: it is new. @param {string} id @returns {string} */
  due(id) {
    return this.kepts.get(id)?.due || "";
  }

  /** The first day on which there is something to do. @returns {string} */
  nextDay() {
    return this.due(byDay(this.ids, this.kepts)[0]);
  }

  /** @param {string} id @param {boolean | null} well @param {string} today */
  done(id, well, today) {
    this.kepts.set(id, keptAfter(this.kepts.get(id), well, today, this.days));
    this.ahead?.add(id);
    for (const [other, left] of this.waiting) this.waiting.set(other, left - 1);
    if (well === false) this.waiting.set(id, SOON);
    else this.waiting.delete(id);
  }
}

/** The longest overdue first. @param {string[]} ids @param {Kepts} kepts @returns {string[]} */
function byDay(ids, kepts) {
  const day = (/** @type {string} */ id) => kepts.get(id)?.due || "";
  return [...ids].sort((one, other) => (day(one) < day(other) ? -1 : day(one) > day(other) ? 1 : 0));
}

/** @param {Kepts} kepts @returns {string} */
function keptsText(kepts) {
  return JSON.stringify({ exercises: Object.fromEntries(kepts) }, null, 1);
}

/** What a text from the browser's storage or a file holds; null: nothing of the kind. @param {string} text @returns {Kepts | null} */
function keptsIn(text) {
  let value;
  try {
    value = JSON.parse(text);
  } catch {
    return null;
  }
  const told = value?.exercises;
  if (!told || typeof told !== "object" || Array.isArray(told)) return null;
  /** @type {Kepts} */
  const kepts = new Map();
  for (const [id, kept] of Object.entries(told)) if (isKept(kept)) kepts.set(id, { step: kept.step, due: kept.due });
  return kepts;
}

/** @param {any} kept @returns {boolean} */
function isKept(kept) {
  return Number.isInteger(kept?.step) && kept.step >= 0 && /^\d{4}-\d\d-\d\d$/.test(kept.due) && !Number.isNaN(dateOf(kept.due).getTime());
}
