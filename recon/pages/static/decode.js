"use strict";
/* Packed series: inflate, add up, and keep smallest and largest values of short stretches. */
const Decode = (() => {
  const LEVELS = [16, 256, 4096];
  const OUTLINE = 256;  // samples of the stretches from which a long drive is drawn as a whole

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

  const texts = new Map();

  /* Texts of the pieces of a series. */
  function textsOf(head) {
    if (!texts.has(head.at)) texts.set(head.at, document.getElementById(`series-${head.at}`).textContent.split(" "));
    return texts.get(head.at);
  }

  /* Values of piece `n` of a series: low bytes of all numbered differences, then their high bytes. */
  async function piece(head, n, kind = Float32Array) {
    const bytes = await inflate(textsOf(head)[n]);
    const start = n * head.piece;
    const out = new kind(Math.min(head.piece, head.count - start));
    const changes = out.length - 1;
    let whole = head.firsts[n];
    out[0] = whole * head.step;
    for (let i = 0; i < changes; i += 1) {
      const number = bytes[i] | (bytes[changes + i] << 8);
      whole += (number >> 1) ^ -(number & 1);
      out[i + 1] = whole * head.step;
    }
    for (const [first, last] of head.gaps) {
      if (last >= start) out.fill(NaN, Math.max(first - start, 0), Math.max(last + 1 - start, 0));
    }
    return out;
  }

  /* All values of a series. */
  async function values(head, kind = Float32Array) {
    const out = new kind(head.count);
    const pieces = await Promise.all(head.firsts.map((_, n) => piece(head, n, kind)));
    pieces.forEach((one, n) => out.set(one, n * head.piece));
    return out;
  }

  async function states(head) {
    return inflate(textsOf(head)[0]);
  }

  /* Room for smallest and largest value of every stretch of 16, 256 and 4096 samples. */
  function room(series) {
    const out = [{ size: 1, low: series, high: series }];
    for (const size of LEVELS) {
      const count = Math.ceil(series.length / size);
      out.push({ size, low: new Float32Array(count).fill(NaN), high: new Float32Array(count).fill(NaN) });
    }
    return out;
  }

  /* Extremes of stretches from those half as fine, for samples `first` to `last` (exclusive). */
  function build(built, first, last, from = 0) {
    for (let n = from + 1; n < built.length; n += 1) {
      const { size, low, high } = built[n - 1];
      const next = built[n];
      const ratio = next.size / size;
      for (let place = Math.floor(first / next.size); place < Math.ceil(last / next.size); place += 1) {
        let smallest = NaN;
        let largest = NaN;
        const end = Math.min((place + 1) * ratio, low.length);
        for (let i = place * ratio; i < end; i += 1) {
          if (!(low[i] >= smallest) && low[i] === low[i]) smallest = low[i];
          if (!(high[i] <= largest) && high[i] === high[i]) largest = high[i];
        }
        next.low[place] = smallest;
        next.high[place] = largest;
      }
    }
  }

  /* Smallest and largest value of every stretch of a series whose samples are all there. */
  function levels(series) {
    const out = room(series);
    build(out, 0, series.length);
    return out;
  }

  /* Smallest and largest value from sample `first` up to `last` (exclusive). */
  function extremes(built, first, last) {
    const wide = last - first;
    const there = !built.has || built.has(first, last);
    let level = built[0];
    for (const one of built) if (one.size * 4 <= wide || (!there && one.size <= OUTLINE)) level = one;
    let low = Infinity;
    let high = -Infinity;
    const end = Math.min(Math.ceil(last / level.size), level.low.length);
    for (let i = Math.floor(first / level.size); i < end; i += 1) {
      if (level.low[i] < low) low = level.low[i];
      if (level.high[i] > high) high = level.high[i];
    }
    return [low, high];
  }

  return { OUTLINE, piece, values, states, room, build, levels, extremes };
})();
