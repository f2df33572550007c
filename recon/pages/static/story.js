"use strict";
/* Words of a drive: sentences, sections, answers, limits and origin. */
const Story = (() => {
  const { data } = State;
  const { made, said } = Words;
  const OPEN_SECTIONS = 40; // of a longer drive the list is folded: it would hide what follows

  function top() {
    document.getElementById("title").textContent = data.title;
    const corners = data.corners.map((corner) => `${corner} ${Draw.WORDS[corner]}`).join(", ");
    document.getElementById("drive").textContent = `${data.drive ? `${data.drive}. ` : ""}Tyres: ${corners}.`;
    const host = document.getElementById("sentences");
    data.sentences.forEach((sentence) => host.append(made("p", said(sentence), sentence.startsWith("DOUBTED") ? "doubted" : "")));
    const steps = data.series.filter((one) => one.kind === "force").map((one) => one.step);
    const ends = [...new Set([Math.min(...steps), Math.max(...steps)])].join(" to ");
    document.getElementById("steps").textContent =
      `Forces are rounded to steps of ${ends} N, an error smaller than their noise; bandwidth ` +
      `${+data.bandwidth.toPrecision(4)} Hz.`;
  }

  function go(start, end) {
    const more = Math.max(0.1 * (end - start), 0.2);
    const first = State.place(start - more);
    const last = State.place(end + more);
    State.show(first, last);
    State.move(State.place((start + end) / 2));
    document.getElementById("time-name").scrollIntoView();
    document.getElementById("strips").focus({ preventScroll: true });
  }

  /* A second around a time, with the cursor there and a force chosen. */
  function at(time, force) {
    go(time - 0.5, time + 0.5);
    State.move(State.place(time));
    if (force) State.choose({ force });
  }

  function brief() {
    const host = document.getElementById("brief");
    for (const line of data.brief) {
      const item = made("li");
      const link = made("a", line.name);
      link.href = `#${line.to}`;
      link.addEventListener("click", () => { document.querySelectorAll(`#${line.to} > details`).forEach((one) => { one.open = true; }); });
      const words = made("div", line.words ? said(`${line.words} `) : undefined);
      for (const one of line.jumps) {
        const button = made("button", said(`${one.words}, ${one.time.toFixed(2)}\u00a0s`), "value");
        button.type = "button";
        button.addEventListener("click", () => at(one.time, one.force));
        words.append(button);
      }
      item.append(link, words);
      host.append(item);
    }
  }

  function jump(words, start, end, reason) {
    const button = made("button", words);
    button.type = "button";
    button.title = reason;
    button.addEventListener("click", () => go(start, end));
    return button;
  }

  function sections() {
    const list = document.getElementById("section-list");
    const lines = new Map();
    for (const one of data.sections) {
      const inside = lines.get(one.parent);
      if (inside) {
        inside.append(jump(one.name.split(", ").pop(), one.start, one.end, one.reason));
        continue;
      }
      const item = made("li");
      const open = one.undecided ? `. Undecided: ${one.undecided}.` : "";
      const words = `${one.finding}, from ${one.start.toFixed(2)} s${open}`;
      item.append(jump(one.name, one.start, one.end, one.reason), made("span", said(words), "finding"));
      lines.set(one.name, item);
      list.append(item);
    }
    const fold = document.getElementById("section-fold");
    const short = list.children.length <= OPEN_SECTIONS;
    fold.open = short && window.matchMedia("(min-width: 40rem)").matches;
    fold.querySelector("summary").textContent = `${list.children.length} sections of the drive`;
    if (!list.children.length) list.append(made("li", "No section was found in this drive."));
    lifts();
  }

  function lifts() {
    const whole = data.lifts.filter((one) => one.start !== null && one.end !== null);
    const host = document.getElementById("lifts");
    host.hidden = !whole.length;
    host.querySelector("summary").textContent = `A wheel was off the ground, or light, ${whole.length} times`;
    for (const one of whole) {
      const item = made("li");
      const light = one.kind === "light" ? ", so light that it may have been off" : "";
      const words = `${one.corner} ${one.start.toFixed(3)} to ${one.end.toFixed(3)} s${light}`;
      item.append(jump(words, one.start, one.end, "its load does not differ from zero"));
      document.getElementById("lift-list").append(item);
    }
  }

  function answer(one) {
    const article = made("article");
    article.id = Words.idOf(one.name);
    article.append(made("h3", one.name.replaceAll("_", " ")));
    if (one.refused) {
      article.append(made("p", `Not given: ${one.refused}`));
      return article;
    }
    const [first, ...others] = one.lines;
    article.append(made("p", said(first)));
    if (one.picture) {
      const figure = made("figure");
      const picture = made("img");
      picture.alt = one.alt || one.help;
      picture.addEventListener("load", () => figure.classList.toggle("tall", picture.naturalHeight > 1.3 * picture.naturalWidth));
      picture.src = `data:image/png;base64,${one.picture}`;
      figure.append(picture);
      article.append(figure);
    }
    const caveats = [one.gate ? `Samples used: ${one.gate}.` : "", ...one.assumed.map((words) => `Assumed: ${words}.`),
      ...one.not_given.map((words) => `Not given: ${words}.`)].filter(Boolean);
    caveats.forEach((words) => article.append(made("p", said(words), "caveat")));
    if (others.length) {
      const details = made("details");
      details.append(made("summary", "All numbers"), made("pre", said(others.join("\n"))));
      article.append(details);
    }
    return article;
  }

  function answers() {
    const host = document.getElementById("answer-list");
    const given = data.answers.filter((one) => !one.refused);
    const refused = data.answers.filter((one) => one.refused);
    [...given, ...refused].forEach((one) => host.append(answer(one)));
  }

  function draw() {
    top();
    brief();
    sections();
    answers();
    Calibration.draw();
    Words.lists(document.getElementById("fact-list"), data.facts);
    Words.boxes(document.getElementById("boxes"), data.provenance);
  }

  return { draw, go };
})();
