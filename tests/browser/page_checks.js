// What a browser measures of a sheet; each function returns plain data for a test to judge.
(() => {
  const isHidden = (element) => {
    if (!element.checkVisibility()) return true;
    const head = element.closest("thead");  // the only thing that is clipped away
    return head !== null && getComputedStyle(head).clipPath !== "none";
  };

  // Every line of visible HTML text: its words, its box, the element that holds it.
  const lines = () => {
    const found = [];
    const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    while (walker.nextNode()) {
      const node = walker.currentNode, holder = node.parentElement;
      if (!node.data.trim() || holder.closest("svg, style, script") || isHidden(holder)) continue;
      const range = document.createRange();
      range.selectNodeContents(node);
      for (const box of range.getClientRects()) {
        if (box.width > 0.5) found.push({ words: node.data.trim().slice(0, 40), box, holder });
      }
    }
    return found;
  };

  // Every line of text in visible pictures. Letters are outlines, a hundred units to the size of
  // the text, so the scale on the screen tells the size.
  const drawnLines = (svg) => [...svg.querySelectorAll(".text g[transform]")].map((group, index) => {
    const matrix = group.getScreenCTM();
    return { words: `text ${index}`, box: group.getBoundingClientRect(),
             size: 100 * Math.hypot(matrix.a, matrix.b) };
  });

  const visiblePictures = () =>
    [...document.querySelectorAll("figure svg")].filter((svg) => svg.checkVisibility());

  const overlaps = (texts, slack) => {
    const sorted = [...texts].sort((a, b) => a.box.top - b.box.top), found = [];
    sorted.forEach((one, index) => {
      for (const other of sorted.slice(index + 1)) {
        if (other.box.top >= one.box.bottom - slack) break;
        if (Math.min(one.box.right, other.box.right) - Math.max(one.box.left, other.box.left) > slack
            && Math.min(one.box.bottom, other.box.bottom) - other.box.top > slack) {
          found.push(`${one.words} / ${other.words}`);
        }
      }
    });
    return found;
  };

  const shown = (box) => [box.left, box.top, box.right, box.bottom].map(Math.round).join(" ");

  const block = (element) => {
    let e = element;
    while (getComputedStyle(e).display.startsWith("inline")) e = e.parentElement;
    return e;
  };

  // Relative luminance and contrast: Web Content Accessibility Guidelines 2.2, definitions.
  const colour = (text) => text.match(/[\d.]+/g).map(Number);
  const luminance = (rgb) => rgb.slice(0, 3).map((v) => v / 255)
    .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const ground = (element) => {
    for (let e = element; e; e = e.parentElement) {
      const rgb = colour(getComputedStyle(e).backgroundColor);
      if (rgb.length === 3 || rgb[3] > 0) return rgb;
    }
    return [255, 255, 255];
  };

  window.sheetChecks = {
    width: () => [document.scrollingElement.scrollWidth, window.innerWidth],

    overflowing: () => {
      const found = [];
      for (const { words, box, holder } of lines()) {
        const room = block(holder).getBoundingClientRect();
        if (box.left < room.left - 1 || box.right > room.right + 1
            || box.top < room.top - 3 || box.bottom > room.bottom + 3) {
          found.push(`${words}: ${shown(box)} outside ${shown(room)}`);
        }
      }
      for (const element of document.querySelectorAll("body *:not(svg *)")) {
        const isBlock = !getComputedStyle(element).display.startsWith("inline");
        if (isBlock && !isHidden(element) && element.clientWidth > 0
            && element.scrollWidth > element.clientWidth + 1) {
          found.push(`${element.tagName} ${element.id} ${element.className}`);
        }
      }
      return found;
    },

    overlapping: () => overlaps(lines(), 1),

    overlappingInPictures: () => visiblePictures().flatMap((svg) =>
      overlaps(drawnLines(svg), 1).map((pair) => `${svg.closest("figure").id}: ${pair}`)),

    cutInPictures: () => visiblePictures().flatMap((svg) => {
      const room = svg.getBoundingClientRect();
      return drawnLines(svg)
        .filter(({ box }) => box.left < room.left - 0.5 || box.right > room.right + 0.5
          || box.top < room.top - 0.5 || box.bottom > room.bottom + 0.5)
        .map(({ words }) => `${svg.closest("figure").id}: ${words}`);
    }),

    smallest: () => Math.min(...lines().map(({ holder }) =>
      parseFloat(getComputedStyle(holder).fontSize))),

    smallestInPictures: () => visiblePictures().map((svg) =>
      [svg.closest("figure").id, Math.min(...drawnLines(svg).map(({ size }) => size))]),

    contrasts: () => lines().map(({ words, holder }) => {
      const [light, dark] = [colour(getComputedStyle(holder).color), ground(holder)]
        .map(luminance).sort((a, b) => b - a);
      return [words, (light + 0.05) / (dark + 0.05)];
    }),

    // Ground behind pictures: stays light whatever the page does.
    grounds: () => visiblePictures().map((svg) => luminance(ground(svg))),

    pictures: () => [...document.querySelectorAll("figure")].map((figure) => {
      const seen = [...figure.querySelectorAll("svg")].filter((svg) => svg.checkVisibility());
      const box = seen[0]?.getBoundingClientRect(), card = figure.getBoundingClientRect();
      return {
        id: figure.id, seen: seen.length, all: figure.querySelectorAll("svg").length,
        width: box?.width ?? 0, height: box?.height ?? 0,
        natural: seen[0]?.viewBox.baseVal.width * 96 / 72,
        isInside: box?.left >= card.left - 8 && box?.right <= card.right + 8,
        letters: seen[0]?.querySelectorAll(".text use").length ?? 0,
        name: document.getElementById(seen[0]?.getAttribute("aria-labelledby"))?.textContent ?? "",
        description: document.getElementById(seen[0]?.getAttribute("aria-describedby"))
          ?.textContent ?? "",
        role: seen[0]?.getAttribute("role"), caption: figure.querySelector("figcaption")?.innerText,
      };
    }),

    // Identifiers that stand twice, and references that lead nowhere.
    references: () => {
      const ids = [...document.querySelectorAll("[id]")].map((e) => e.id);
      const twice = ids.filter((id, index) => ids.indexOf(id) !== index);
      const known = new Set(ids), broken = [];
      for (const element of document.querySelectorAll("*")) {
        for (const { name, value } of element.attributes) {
          const wanted = [...value.matchAll(/url\(["']?#([^)"']+)["']?\)/g)].map((m) => m[1]);
          if (name === "href" && value.startsWith("#")) wanted.push(value.slice(1));
          if (name === "aria-labelledby" || name === "aria-describedby") wanted.push(value);
          broken.push(...wanted.filter((id) => !known.has(id)));
        }
      }
      return { twice, broken };
    },

    headings: () => [...document.querySelectorAll("h1, h2, h3, h4, h5, h6")]
      .map((h) => [Number(h.tagName[1]), h.innerText.replace(/\s+/g, " ").trim()]),

    tables: () => [...document.querySelectorAll("table")].map((table) => ({
      id: table.id, caption: table.caption?.innerText ?? "",
      unscoped: [...table.querySelectorAll("th")].filter((th) => !th.scope).length,
      headings: [...table.querySelectorAll("thead th")].map((th) => th.textContent.trim()),
      rows: [...table.querySelectorAll("tbody tr")].map((row) => ({
        group: row.parentElement.querySelector("th.group")?.textContent.trim() ?? "",
        heading: row.querySelector("th:not(.group)").textContent.trim(),
        cells: [...row.querySelectorAll("td")].map((cell) =>
          [cell.textContent.trim(), cell.querySelector("data")?.value ?? null]),
      })),
    })),

    landmarks: () => Object.fromEntries(["header", "nav", "main", "footer"].map((name) =>
      [name, document.querySelectorAll(`body > ${name}`).length])),

    tallest: () => [...document.querySelectorAll("figure, .table")].map((e) =>
      [e.id || e.querySelector("table").id, e.getBoundingClientRect().height]),
  };
})();
