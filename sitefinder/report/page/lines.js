// Lines of a large region: those about the window alone, with the detail that its scale shows.
// A layer is a path for each square of what is drawn: what a browser redraws is then near, and not the whole region.
const SIGNS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_";
// Points nearer than this to the one before, and room about the window that is drawn as well [pixels, windows] (own choices).
const DETAIL_PX = 2, ROOM_WINDOWS = 0.6, NEAR_PX = 5, SQUARES = 12;
// Where more lines than this are about the window, they lie so close that fewer points show as much (own choices).
const CROWD = 20000, CROWDED_PX = 6;

// Points of a layer in units of the map, where its parts begin, the line of each part, and the boxes of the parts.
function unpackedLines(text, step) {
  const value = new Int8Array(128);
  [...SIGNS].forEach((sign, at) => { value[sign.charCodeAt(0)] = at; });
  const points = new Int32Array(text.length), begins = [], lineOf = [];
  let [used, line, number, shift, x, y, isDown, isNew] = [0, 0, 0, 0, 0, 0, false, true];
  for (let at = 0; at < text.length; at++) {
    const code = text.charCodeAt(at);
    if (code === 32 || code === 44) { if (code === 32) line++; isNew = true; continue; }
    if (isNew) { begins.push(used); lineOf.push(line); [x, y, isNew, isDown] = [0, 0, false, false]; }
    number |= (value[code] & 31) << shift;
    if (value[code] & 32) { shift += 5; continue; }
    const move = number & 1 ? -((number + 1) >> 1) : number >> 1;
    [number, shift] = [0, 0];
    if (isDown) { y += move; points[used++] = x * step; points[used++] = y * step; } else x += move;
    isDown = !isDown;
  }
  begins.push(used);
  const boxes = new Int32Array(4 * lineOf.length);
  for (let part = 0; part < lineOf.length; part++) {
    let [left, top, right, foot] = [Infinity, Infinity, -Infinity, -Infinity];
    for (let at = begins[part]; at < begins[part + 1]; at += 2) {
      left = Math.min(left, points[at]); right = Math.max(right, points[at]);
      top = Math.min(top, points[at + 1]); foot = Math.max(foot, points[at + 1]);
    }
    boxes.set([left, top, right, foot], 4 * part);
  }
  return { points, begins, lineOf, boxes, number: line + 1 };
}

function startLines(svg, packed, step) {
  let number = 0;
  // In the order in which they are drawn; reaches are counted through all verdicts.
  const layers = [...svg.querySelectorAll(".line[data-layer]")].filter((group) => group.dataset.layer in packed).map((group) => {
    const layer = { group, ...unpackedLines(packed[group.dataset.layer], step), hidden: new Set(), paths: Array.from({ length: SQUARES * SQUARES }, () => drawn("path")) };
    if (group.matches(".reaches")) [layer.firstReach, number] = [number, number + layer.number];
    // The stretches are in the order of the ranks from the last to the first.
    layer.rank = group.matches(".stretches") ? (line) => page.count - line : null;
    group.append(...layer.paths);
    return layer;
  });
  const stretches = layers.find((layer) => layer.rank);
  const chosen = drawn("path", { class: "selected" });
  if (stretches) stretches.group.append(chosen);
  let done = null, selected = 0;

  // Path data of one part without the points that the scale does not show.
  function outline({ points, begins }, part, detail) {
    const [from, to] = [begins[part], begins[part + 1]];
    let [x, y] = [points[from], points[from + 1]], d = `M${x} ${y}L`;
    for (let at = from + 2; at < to; at += 2) {
      const [across, down] = [points[at] - x, points[at + 1] - y];
      if (at < to - 2 && across * across + down * down < detail * detail) continue;
      x = points[at]; y = points[at + 1];
      d += `${x} ${y} `;
    }
    return d;
  }
  const isApart = (boxes, at, box) => boxes[at] > box[2] || boxes[at + 2] < box[0] || boxes[at + 1] > box[3] || boxes[at + 3] < box[1];
  function detailOf(box, scale) {
    let number = 0;
    for (const { boxes } of layers) for (let at = 0; at < boxes.length; at += 4) if (!isApart(boxes, at, box)) number++;
    return scale * (number > CROWD ? CROWDED_PX : DETAIL_PX);
  }
  function fill(layer, box, detail) {
    const { boxes, lineOf, rank, hidden, paths } = layer, texts = paths.map(() => []);
    const square = (low, high, from, to) => Math.min(SQUARES - 1, Math.max(0, Math.floor(SQUARES * ((low + high) / 2 - from) / (to - from))));
    for (let part = 0; part < lineOf.length; part++) {
      const at = 4 * part;
      if (isApart(boxes, at, box)) continue;
      if (rank && hidden.has(rank(lineOf[part]))) continue;
      const [column, row] = [square(boxes[at], boxes[at + 2], box[0], box[2]), square(boxes[at + 1], boxes[at + 3], box[1], box[3])];
      texts[SQUARES * row + column].push(outline(layer, part, detail));
    }
    paths.forEach((path, at) => path.setAttribute("d", texts[at].join("")));
  }
  function choose() {
    if (!stretches || !selected) return;
    const parts = stretches.lineOf.flatMap((line, part) => (stretches.rank(line) === selected ? [part] : []));
    chosen.setAttribute("d", parts.map((part) => outline(stretches, part, 0)).join(""));
    chosen.setAttribute("data-rank", selected);
  }
  return {
    draw(view, across, down) {
      const [wide, high] = [across * view.scale, down * view.scale];
      const within = (box) => box && view.x - wide / 2 >= box[0] && view.x + wide / 2 <= box[2] && view.y - high / 2 >= box[1] && view.y + high / 2 <= box[3];
      if (done && done.scale === view.scale && within(done.box)) return;
      const [right, foot] = [view.x + (0.5 + ROOM_WINDOWS) * wide, view.y + (0.5 + ROOM_WINDOWS) * high];
      done = { scale: view.scale, box: [2 * view.x - right, 2 * view.y - foot, right, foot] };
      done.detail = detailOf(done.box, view.scale);
      for (const layer of layers) fill(layer, done.box, done.detail);
    },
    filter(ranks) {
      if (!stretches) return;
      stretches.hidden = new Set(Array.from({ length: page.count }, (_, at) => at + 1).filter((rank) => !ranks.has(rank)));
      chosen.classList.toggle("filtered", stretches.hidden.has(selected));
      if (done) fill(stretches, done.box, done.detail);
    },
    select(rank) { selected = rank; choose(); },
    // The reach or stretch beside the pointer, that on top first.
    under(event, scale) {
      const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
      const near = NEAR_PX * scale;
      for (const layer of [...layers].reverse()) {
        if (layer.firstReach === undefined && !layer.rank || layer.group.classList.contains("off")) continue;
        const { points, begins, boxes, lineOf } = layer;
        let best = near, found = -1;
        for (let part = 0; part < lineOf.length; part++) {
          const box = 4 * part;
          if (at.x < boxes[box] - near || at.x > boxes[box + 2] + near || at.y < boxes[box + 1] - near || at.y > boxes[box + 3] + near) continue;
          if (layer.rank && layer.hidden.has(layer.rank(lineOf[part]))) continue;
          for (let one = begins[part]; one < begins[part + 1] - 2; one += 2) {
            const [x, y, across, down] = [points[one], points[one + 1], points[one + 2] - points[one], points[one + 3] - points[one + 1]];
            const long = across * across + down * down;
            const share = long ? Math.min(1, Math.max(0, ((at.x - x) * across + (at.y - y) * down) / long)) : 0;
            const away = Math.hypot(x + share * across - at.x, y + share * down - at.y);
            if (away < best) [best, found] = [away, lineOf[part]];
          }
        }
        if (found >= 0) return layer.rank ? { rank: layer.rank(found) } : { reach: layer.firstReach + found };
      }
      return null;
    },
  };
}
