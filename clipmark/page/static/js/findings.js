/**
 * What is wrong with the event's folder: said once, taken away when it is mended, and that is said too.
 */

import { asSentence } from "./plain.js";

/** Keeps what is said of the folder true. */
export class Findings {
  /** @param {{say: (sentence: string, kind: string, of: string) => (() => void)}} notices */
  constructor(notices) {
    this.notices = notices;
    /** @type {Map<string, () => void>} what takes each away again */
    this.said = new Map();
  }

  /** @param {string[]} found all there is now */
  show(found) {
    const over = [...this.said.keys()].filter((finding) => !found.includes(finding));
    const mended = new Set(over.map(subjectOf));
    for (const finding of over) {
      this.said.get(finding)?.();
      this.said.delete(finding);
    }
    for (const finding of found) {
      mended.delete(subjectOf(finding)); // it has another fault now
      if (this.said.has(finding)) continue;
      this.said.set(finding, this.notices.say(asSentence(finding), "refusal", "event"));
    }
    for (const subject of mended) this.notices.say(`${subject} is in order again.`, "success", "event");
  }
}

/** What a finding speaks of: the file before its line, or the folder. @param {string} finding */
function subjectOf(finding) {
  return finding.split(/[,:]/, 1)[0];
}
