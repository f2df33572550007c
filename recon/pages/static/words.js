"use strict";
/* Elements that every kind of page has.  Text never becomes markup. */
const Words = (() => {
  function made(tag, text, kind) {
    const element = document.createElement(tag);
    if (text !== undefined) element.textContent = text;
    if (kind) element.className = kind;
    return element;
  }

  /* A sentence as a page writes it: +- is a sign of its own, apart from its number as in pictures. */
  function said(text) {
    return text.replace(/\+-(?=\d)/g, "\u00b1\u00a0");
  }

  /* Name of the place of a heading, for links. */
  function idOf(name) {
    return `at-${name.toLowerCase().replace(/[^a-z]+/g, "-")}`;
  }

  /* Lists of sentences, each under its heading. */
  function lists(host, byName) {
    for (const [name, sentences] of Object.entries(byName)) {
      const list = made("ul");
      sentences.forEach((sentence) => list.append(made("li", said(sentence))));
      const head = made("h3", name);
      head.id = idOf(name);
      host.append(head, list);
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

  /* Head and rows of a table; a cell is text or an element, the first of a row names it.  Columns in
     `left` hold words. */
  function table(host, heads, rows, left = []) {
    const head = made("tr");
    heads.forEach((words, n) => {
      const place = made("th", words, left.includes(n) ? "left" : "");
      place.setAttribute("scope", "col");
      head.append(place);
    });
    host.tHead.replaceChildren(head);
    host.tBodies[0].replaceChildren(...rows.map((cells) => {
      const row = made("tr");
      cells.forEach((cell, n) => {
        const place = made(n ? "td" : "th", undefined, left.includes(n) ? "left" : "");
        if (n) place.dataset.head = heads[n];
        else place.setAttribute("scope", "row");
        place.append(cell);
        row.append(cell instanceof HTMLTableCellElement ? cell : place);
      });
      return row;
    }));
  }

  /* Scroll to a part and put the focus there; what it is folded into opens. */
  function show(place) {
    for (let fold = place.closest("details"); fold; fold = fold.parentElement.closest("details")) fold.open = true;
    place.scrollIntoView();
    place.tabIndex = -1;
    place.focus({ preventScroll: true });
  }

  /* A link to a part of the page stays in it: as a link it would leave the frame of a notebook. */
  document.addEventListener("click", (event) => {
    const link = event.target.closest('a[href^="#"]');
    if (!link) return;
    event.preventDefault();
    const place = document.getElementById(link.getAttribute("href").slice(1));
    window.location.hash = link.getAttribute("href");
    if (place) show(place); // also if the last link led there
  });

  /* A table under its caption, which scrolls sideways where the screen is narrow. */
  function framed(caption, heads, rows, kind) {
    const host = made("table", undefined, kind);
    host.append(made("thead"), made("tbody"));
    table(host, heads, rows);
    const frame = made("div", undefined, "scroll");
    frame.tabIndex = 0;
    frame.setAttribute("role", "region");
    frame.setAttribute("aria-label", caption.split(/[:;]/)[0]);
    frame.append(host);
    const both = made("div");
    both.append(made("p", caption, "caption"), frame);
    return both;
  }

  return { made, said, show, idOf, lists, boxes, table, framed };
})();
