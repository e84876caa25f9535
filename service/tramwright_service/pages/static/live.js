// Tells that something has changed in the farm: by the service's events, or by asking now and then where there are none.
//
// The stream is read by `fetch` and not by an EventSource, which can send no access key. Browsers open six connections to
// a service at most, and a stream takes one: so a page that nobody sees gives it back, and goes on where it was.

import { Refused, ask } from "./api.js";

const EVERY = 15; // seconds, without events
const SILENT = 45; // seconds after which a stream without a sign of life is given up; the service gives one every 15
const LONGEST = 15; // seconds between two attempts

/** `changed()` is called when something has changed or may have; `told(state)` hears "live", "polling", "away", "shut". */
export class Live {
  constructor({ changed, told }) {
    Object.assign(this, { changed, told, last: null, streams: true, wait: 0.5 });
    document.addEventListener("visibilitychange", () => (document.hidden ? this.stop() : this.start()));
    window.addEventListener("online", () => this.start());
  }

  /** Listen from now on; whatever was missed is told as one change. */
  start() {
    this.stop();
    if (document.hidden) return;
    this.turn = new AbortController();
    this.#listen(this.turn);
  }

  stop() {
    if (this.turn) this.turn.stopped = true;
    this.turn?.abort();
    clearTimeout(this.timer);
  }

  async #listen(turn) {
    let state = "away";
    try {
      if (this.streams) await this.#stream(turn);
      else {
        await this.changed();
        state = "polling";
      }
    } catch (error) {
      if (turn.stopped) return;
      if (error instanceof Refused && [404, 405, 406, 501].includes(error.status)) {
        this.streams = false;
        state = "polling";
        await this.changed().catch(() => { state = "away"; });
      } else if (error.shut) state = "shut";
      this.wait = Math.max(this.wait, error.after ?? 0);
    }
    if (turn.stopped) return;
    this.told(state);
    this.timer = setTimeout(() => this.start(), 1000 * (state === "polling" ? EVERY : this.wait));
    this.wait = Math.min(2 * this.wait, LONGEST);
  }

  async #stream(turn) {
    const from = this.last === null ? {} : { "last-event-id": this.last };
    const { body } = await ask("/v1/events", { signal: turn.signal, headers: { accept: "text/event-stream", ...from } });
    await this.changed();
    this.told("live");
    this.wait = 0.5;
    const reader = body.pipeThrough(new TextDecoderStream()).getReader();
    let rest = "";
    for (;;) {
      const watch = setTimeout(() => turn.abort(), 1000 * SILENT);
      const { value, done } = await reader.read().finally(() => clearTimeout(watch));
      if (done) return;
      const blocks = (rest + value.replaceAll("\r\n", "\n")).split("\n\n");
      rest = blocks.pop();
      if (blocks.filter((block) => this.#take(block)).length) await this.changed();
    }
  }

  // Returns whether a block is an event, and not a mere sign of life.
  #take(block) {
    const id = /^id: ?(.*)$/m.exec(block);
    if (id) [, this.last] = id;
    return /^data:/m.test(block);
  }
}
