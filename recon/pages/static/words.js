"use strict";
/* Elements that every kind of page has.  Text never becomes markup. */
const Words = (() => {
  function made(tag, text, kind) {
    const element = document.createElement(tag);
    if (text !== undefined) element.textContent = text;
    if (kind) element.className = kind;
    return element;
  }

  /* Lists of sentences, each under its heading. */
  function lists(host, byName) {
    for (const [name, sentences] of Object.entries(byName)) {
      const list = made("ul");
      sentences.forEach((sentence) => list.append(made("li", sentence)));
      host.append(made("h3", name), list);
    }
  }

  /* Boxes in the order in which one thing was made from another. */
  function boxes(host, every) {
    for (const box of every) {
      const item = made("li");
      item.append(made("b", box.what), made("span", box.file), made("span", box.checksum));
      if (box.date) item.append(made("span", box.date));
      host.append(item);
    }
  }

  /* A table under its caption, which scrolls sideways where the screen is narrow; cells are words or elements. */
  function table(caption, heads, rows, kind) {
    const whole = made("table", undefined, kind);
    const line = whole.createTHead().insertRow();
    for (const head of heads) {
      const cell = made("th", head);
      cell.scope = "col";
      line.append(cell);
    }
    const body = whole.createTBody();
    for (const [first, ...others] of rows) {
      const row = body.insertRow();
      const name = first instanceof Node ? made("th") : made("th", first);
      if (first instanceof Node) name.append(first);
      name.scope = "row";
      row.append(name, ...others.map((one) => (one instanceof Node ? one : made("td", one))));
    }
    const frame = made("div", undefined, "scroll");
    frame.tabIndex = 0;
    frame.setAttribute("role", "region");
    frame.setAttribute("aria-label", caption.split(/[:;]/)[0]);
    frame.append(whole);
    const both = made("div");
    both.append(made("p", caption, "caption"), frame);
    return both;
  }

  return { made, lists, boxes, table };
})();
