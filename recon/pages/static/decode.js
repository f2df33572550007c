"use strict";
/* Packed series: inflate, add up, and keep smallest and largest values of short stretches. */
const Decode = (() => {
  const LEVELS = [16, 256, 4096];

  function bytesOf(text) {
    const characters = atob(text);
    const bytes = new Uint8Array(characters.length);
    for (let i = 0; i < characters.length; i += 1) bytes[i] = characters.charCodeAt(i);
    return bytes;
  }

  async function inflate(text) {
    const opened = new Blob([bytesOf(text)]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Uint8Array(await new Response(opened).arrayBuffer());
  }

  function textOf(head) {
    return document.getElementById(`series-${head.at}`).textContent;
  }

  /* Values of a series: low bytes of all differences, then their high bytes. */
  async function values(head, kind = Float32Array) {
    const bytes = await inflate(textOf(head));
    const changes = head.count > 0 ? head.count - 1 : 0;
    const out = new kind(head.count);
    let whole = head.first;
    if (head.count) out[0] = whole * head.step;
    for (let i = 0; i < changes; i += 1) {
      whole += ((bytes[i] | (bytes[changes + i] << 8)) << 16) >> 16;
      out[i + 1] = whole * head.step;
    }
    for (const [first, last] of head.gaps) out.fill(NaN, first, last + 1);
    return out;
  }

  async function states(head) {
    return inflate(textOf(head));
  }

  /* Smallest and largest value of every stretch of 16, 256 and 4096 samples. */
  function levels(series) {
    let low = series;
    let high = series;
    let size = 1;
    const out = [{ size, low, high }];
    for (const next of LEVELS) {
      const ratio = next / size;
      const count = Math.ceil(low.length / ratio);
      const smallest = new Float32Array(count).fill(NaN);
      const largest = new Float32Array(count).fill(NaN);
      for (let i = 0; i < low.length; i += 1) {
        const place = (i / ratio) | 0;
        if (!(low[i] >= smallest[place])) if (low[i] === low[i]) smallest[place] = low[i];
        if (!(high[i] <= largest[place])) if (high[i] === high[i]) largest[place] = high[i];
      }
      low = smallest;
      high = largest;
      size = next;
      out.push({ size, low, high });
    }
    return out;
  }

  /* Smallest and largest value from sample `first` up to `last` (exclusive). */
  function extremes(built, first, last) {
    const wide = last - first;
    let level = built[0];
    for (const one of built) if (one.size * 4 <= wide) level = one;
    let low = Infinity;
    let high = -Infinity;
    const end = Math.min(Math.ceil(last / level.size), level.low.length);
    for (let i = Math.floor(first / level.size); i < end; i += 1) {
      if (level.low[i] < low) low = level.low[i];
      if (level.high[i] > high) high = level.high[i];
    }
    return [low, high];
  }

  return { values, states, levels, extremes };
})();
