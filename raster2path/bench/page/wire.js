/** The line to the server: what it tells, what it is asked. The page keeps nothing else. */

/** @import {Change, Drawing, Glimpse, State} from "./types.js" */

export class Wire extends EventTarget {
  constructor() {
    super();
    /** @type {State} */
    this.state = { open: null };
    /** @type {Drawing | null} */
    this.drawing = null;
    /** @type {string | null} */
    this.stage = null;
    /** @type {Record<string, Glimpse>} */
    this.glimpses = {};
    /** @type {{number: number, starts_k: number[]} | null} how warm the sheet is where each cut starts */
    this.heat = null;
    this.isLost = false;
    this.#listen();
  }

  #listen() {
    const source = new EventSource("/news");
    source.addEventListener("state", (event) => this.#take(JSON.parse(event.data)));
    source.addEventListener("drawing", (event) => {
      this.drawing = JSON.parse(event.data);
      const isDone = this.drawing?.is_final && this.drawing.number >= (this.state.open?.number ?? 0);
      this.stage = isDone ? null : this.stage;
      this.#tell("drawing");
    });
    source.addEventListener("glimpses", (event) => {
      this.glimpses = JSON.parse(event.data);
      this.#tell("glimpses");
    });
    source.addEventListener("heat", (event) => {
      this.heat = JSON.parse(event.data);
      this.#tell("heat");
    });
    source.addEventListener("tried", (event) => this.dispatchEvent(new CustomEvent("tried", { detail: JSON.parse(event.data) })));
    source.addEventListener("stage", (event) => {
      this.stage = JSON.parse(event.data).stage;
      this.#tell("stage");
    });
    source.onopen = () => this.#lost(false);
    source.onerror = () => {
      this.#lost(true);
      if (source.readyState === EventSource.CLOSED) setTimeout(() => this.#listen(), 1000);
    };
  }

  /** @param {State} state */
  #take(state) {
    const had = this.state.open?.folder;
    this.state = state;
    if (!state.open || state.open.folder !== had) {
      if (!state.open || this.drawing?.name !== state.open.name) this.drawing = null;
      this.glimpses = {};
      this.stage = state.open ? this.stage : null;
    }
    if (state.open?.trouble) this.stage = null;
    if (state.open?.trouble && !this.drawing?.number) this.drawing = null;
    this.#tell("state");
  }

  /** @param {boolean} isLost */
  #lost(isLost) {
    if (this.isLost !== isLost) {
      this.isLost = isLost;
      this.#tell("line");
    }
  }

  /** @param {string} what */
  #tell(what) {
    this.dispatchEvent(new Event(what));
  }

  /**
   * Ask for something; a refusal is shown as the sentence that the server gave.
   * @param {string} path
   * @param {unknown} [asked]
   * @returns {Promise<any>} the answer, or null where it was refused
   */
  async post(path, asked = {}) {
    const isPicture = asked instanceof Blob;
    try {
      const answer = await fetch(path, {
        method: "POST",
        headers: { "content-type": isPicture ? "application/octet-stream" : "application/json" },
        body: isPicture ? asked : JSON.stringify(asked),
      });
      if (!answer.ok) {
        this.trouble(await answer.text());
        return null;
      }
      const told = await answer.json();
      if ("open" in told) this.#take(told);
      return told;
    } catch {
      this.trouble("The bench does not answer. Start raster2path bench again; your job is saved.");
      return null;
    }
  }

  /**
   * Ask for something that comes with the news, or not at all.
   * @param {string} path @param {unknown} asked
   */
  quietly(path, asked) {
    return fetch(path, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(asked) }).catch(() => null);
  }

  /**
   * One step.
   * @param {Change} change
   * @param {string} [merge] steps with the same word after one another are one step
   */
  change(change, merge) {
    return this.post("/change", merge ? { ...change, merge } : change);
  }

  /** @param {string} sentence */
  trouble(sentence) {
    // What the terminal calls an option has a name here, too.
    const words = sentence.trim().replace(/--([a-z][a-z-]*)/g, (_, option) => option.replaceAll("-", " "));
    this.dispatchEvent(new CustomEvent("trouble", { detail: words[0].toUpperCase() + words.slice(1) }));
  }
}
