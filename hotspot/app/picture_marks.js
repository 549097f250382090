// A picture to click on: marks are added, dragged, moved by arrow keys, removed; boxes are drawn.
// Coordinates are picture pixels with the origin at the centre of the top left one.
function build(root) {
  const $ = (s) => root.querySelector(s);
  const port = $('.port'), sheet = $('.sheet'), image = $('img'), svg = $('svg'), at = $('.at');
  const pm = { data: {}, zoom: 1, x: 0, y: 0, drag: null, src: '' };
  const fitted = () => Math.min(port.clientWidth / pm.data.width, port.clientHeight / pm.data.height) || 1;
  const scale = () => fitted() * pm.zoom;

  function show() {
    const k = scale();
    const w = pm.data.width * k, h = pm.data.height * k;
    pm.x = w <= port.clientWidth ? (port.clientWidth - w) / 2 : Math.min(0, Math.max(port.clientWidth - w, pm.x));
    pm.y = h <= port.clientHeight ? (port.clientHeight - h) / 2 : Math.min(0, Math.max(port.clientHeight - h, pm.y));
    sheet.style.width = `${w}px`; sheet.style.height = `${h}px`;
    image.style.width = `${w}px`; image.style.height = `${h}px`;
    sheet.style.transform = `translate(${pm.x}px, ${pm.y}px)`;
    draw();
  }
  function zoomAt(factor, px, py) {
    const before = scale(); pm.zoom = Math.min(24, Math.max(1, pm.zoom * factor));
    const k = scale() / before; pm.x = px - k * (px - pm.x); pm.y = py - k * (py - pm.y); show();
  }
  function toPicture(e) {
    const r = port.getBoundingClientRect(), k = scale();
    return { x: (e.clientX - r.left - pm.x) / k - 0.5, y: (e.clientY - r.top - pm.y) / k - 0.5 };
  }
  const inside = (p) => p.x >= -0.5 && p.y >= -0.5 && p.x <= pm.data.width - 0.5 && p.y <= pm.data.height - 0.5;
  const say = (event) => pm.component.setTriggerValue('event', event);

  function el(parent, tag, attributes, text) {
    const e = document.createElementNS('http://www.w3.org/2000/svg', tag);
    for (const name in attributes) e.setAttribute(name, attributes[name]);
    if (text !== undefined) e.textContent = text;
    parent.appendChild(e); return e;
  }
  const screen = (x, y) => [(x + 0.5) * scale(), (y + 0.5) * scale()];

  // A part's outline: dragged by its body, sized by its corners, moved by arrow keys, removed.
  function drawBox(box) {
    const chosen = pm.data.mode === 'box' && pm.chosen === box.label;
    const shift = pm.drag && pm.drag.part === box.label ? pm.drag : { dx: 0, dy: 0 };
    const corners = shift.corners || box.corners.map((c) => [c[0] + shift.dx, c[1] + shift.dy]);
    const points = corners.map((c) => screen(c[0], c[1]).join(',')).join(' ');
    const g = el(svg, 'g', pm.data.mode === 'box' && !box.strong
      ? { class: 'part', tabindex: 0, role: 'button', 'aria-label': `Part ${box.label}` } : {});
    const fill = chosen || box.strong ? '#ffffff33' : 'transparent';
    el(g, 'polygon', { points, fill, stroke: '#000', 'stroke-width': chosen ? 5 : 3, opacity: .6 });
    el(g, 'polygon', { points, fill: 'none', stroke: '#fff', 'stroke-width': chosen ? 2.5 : 1.5 });
    el(g, 'title', {}, box.label);
    // Names that would lie over one another come with the zoom.
    const [x, y] = screen(corners[0][0], corners[0][1]), far = screen(corners[2][0], corners[2][1]);
    const room = Math.max(Math.abs(far[0] - x), Math.abs(far[1] - y));
    if (chosen || box.strong || room >= 7 * box.label.length) el(g, 'text', { x, y: y - 4, fill: '#fff', stroke: '#000', 'stroke-width': 3, 'paint-order': 'stroke', 'font-size': 13 }, box.label);
    if (pm.data.mode !== 'box' || box.strong) return;
    const grab = (e, more) => {
      const p = toPicture(e);
      pm.chosen = box.label;
      pm.drag = { part: box.label, from: p, dx: 0, dy: 0, moved: false, startX: e.clientX, startY: e.clientY, ...more };
      port.setPointerCapture(e.pointerId); e.stopPropagation(); e.preventDefault(); draw(); focusOn(`Part ${box.label}`);
    };
    g.addEventListener('pointerdown', (e) => grab(e, {}));
    g.addEventListener('keydown', (e) => {
      const move = arrow(e);
      if (move) {
        e.preventDefault(); e.stopPropagation(); pm.chosen = box.label;
        // Moved at once, and said as a place where it has one: a held key must not lose steps.
        box.corners = box.corners.map((c) => [c[0] + move[0], c[1] + move[1]]); draw();
        const [a, , c] = box.corners;
        if (box.square) say({ op: 'size', ref: box.label, x0: a[0], y0: a[1], x1: c[0], y1: c[1] });
        else say({ op: 'shift', ref: box.label, dx: move[0], dy: move[1] });
      }
      if (removes(e)) say({ op: 'remove', ref: box.label });
    });
    if (chosen && box.square) corners.forEach((c, i) => {
      const [hx, hy] = screen(c[0], c[1]);
      const h = el(g, 'rect', { class: 'corner', x: hx - 7, y: hy - 7, width: 14, height: 14, fill: '#fff', stroke: '#000', 'stroke-width': 2 });
      h.addEventListener('pointerdown', (e) => grab(e, { corner: i, box: corners.map((q) => [...q]) }));
    });
  }
  const focusOn = (name) => {
    const found = name && [...svg.children].find((g) => g.getAttribute('aria-label') === name);
    if (found) found.focus({ preventScroll: true });
  };
  function arrow(e) {
    const step = e.shiftKey ? 5 : e.altKey ? 0.1 : 1;
    return { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[e.key];
  }
  function removes(e) {
    if (e.key !== 'Delete' && e.key !== 'Backspace') return false;
    e.preventDefault(); e.stopPropagation(); return true;
  }
  function dragPart(d, p) {
    if (d.corner === undefined) { d.dx = p.x - d.from.x; d.dy = p.y - d.from.y; return; }
    const still = d.box[(d.corner + 2) % 4];  // the corner across stays
    const q = { x: d.box[d.corner][0] + p.x - d.from.x, y: d.box[d.corner][1] + p.y - d.from.y };
    d.to = { x0: still[0], y0: still[1], x1: q.x, y1: q.y };
    d.corners = [[still[0], still[1]], [q.x, still[1]], [q.x, q.y], [still[0], q.y]];
  }

  function draw() {
    // Drawn anew it would lose the focus, and the next key with it.
    const held = svg.querySelector(':focus'), name = held && held.getAttribute('aria-label');
    svg.replaceChildren();
    for (const box of pm.data.boxes || []) drawBox(box);
    (pm.data.marks || []).forEach((mark, i) => {
      const [x, y] = screen(mark.x, mark.y);
      const g = el(svg, 'g', { class: 'mark', tabindex: 0, role: 'button', 'aria-label': `Landmark ${i + 1}`,
        'aria-description': mark.wrong ? 'wrong' : '' });
      el(g, 'circle', { cx: x, cy: y, r: 15, fill: 'transparent', stroke: 'none' });
      el(g, 'circle', { cx: x, cy: y, r: 9, fill: 'none', stroke: '#000', 'stroke-width': 5, opacity: .6 });
      el(g, 'circle', { cx: x, cy: y, r: 9, fill: 'none', stroke: mark.wrong ? '#ffb000' : '#fff', 'stroke-width': 2.5 });
      if (mark.wrong) for (const s of [1, -1])
        el(g, 'line', { x1: x - 14, y1: y - 14 * s, x2: x + 14, y2: y + 14 * s, stroke: '#ffb000', 'stroke-width': 2.5 });
      else { el(g, 'line', { x1: x - 3, y1: y, x2: x + 3, y2: y, stroke: '#fff' }); el(g, 'line', { x1: x, y1: y - 3, x2: x, y2: y + 3, stroke: '#fff' }); }
      el(g, 'text', { x: x + 13, y: y - 9, fill: '#fff', stroke: '#000', 'stroke-width': 4, 'paint-order': 'stroke', 'font-size': 16, 'font-weight': 700 }, String(i + 1));
      g.addEventListener('pointerdown', (e) => {
        const p = toPicture(e);
        // The grab offset is kept: a mark does not jump to where it was touched.
        pm.drag = { mark: i, dx: mark.x - p.x, dy: mark.y - p.y, was: { x: mark.x, y: mark.y }, moved: false };
        port.setPointerCapture(e.pointerId); e.stopPropagation(); e.preventDefault(); g.focus();
      });
      g.addEventListener('keydown', (e) => {
        const move = arrow(e);
        if (move) {
          e.preventDefault(); e.stopPropagation();
          mark.x += move[0]; mark.y += move[1]; draw();  // at once: a held key must not lose steps
          say({ op: 'move', index: i, x: mark.x, y: mark.y });
        }
        if (removes(e)) say({ op: 'remove', index: i });
      });
    });
    focusOn(name);
    const d = pm.drag;
    if (d && d.draws && d.moved) {
      const [x0, y0] = screen(d.from.x, d.from.y), [x1, y1] = screen(d.to.x, d.to.y);
      el(svg, 'rect', { x: Math.min(x0, x1), y: Math.min(y0, y1), width: Math.abs(x1 - x0), height: Math.abs(y1 - y0), fill: '#ffffff33', stroke: '#fff', 'stroke-width': 2 });
    }
  }
  port.addEventListener('pointerdown', (e) => {
    if (e.button !== 0) return;
    const p = toPicture(e);
    pm.chosen = undefined;
    pm.drag = { from: p, to: p, draws: pm.data.mode === 'box' && inside(p), startX: e.clientX, startY: e.clientY, x: pm.x, y: pm.y, moved: false };
    port.setPointerCapture(e.pointerId);
  });
  // Two fingers: zoom and move; whatever one finger had begun is let go.
  const fingers = new Map();
  const spread = () => { const [a, b] = [...fingers.values()], r = port.getBoundingClientRect();
    return { far: Math.hypot(a.x - b.x, a.y - b.y), x: (a.x + b.x) / 2 - r.left, y: (a.y + b.y) / 2 - r.top }; };
  port.addEventListener('pointerdown', (e) => {
    if (e.pointerType === 'touch') fingers.set(e.pointerId, { x: e.clientX, y: e.clientY });
    if (fingers.size === 2) {
      const d = pm.drag; if (d && d.was) Object.assign(pm.data.marks[d.mark], d.was);
      pm.drag = null; pm.pinch = { ...spread(), zoom: pm.zoom, left: pm.x, top: pm.y }; draw(); e.stopPropagation();
    }
  }, true);
  for (const kind of ['pointerup', 'pointercancel']) port.addEventListener(kind, (e) => {
    if (fingers.delete(e.pointerId) && pm.pinch) { e.stopImmediatePropagation(); if (!fingers.size) pm.pinch = null; } }, true);
  port.addEventListener('pointercancel', () => { pm.drag = null; draw(); });
  port.addEventListener('pointermove', (e) => {
    if (fingers.has(e.pointerId)) fingers.set(e.pointerId, { x: e.clientX, y: e.clientY });
    if (pm.pinch) {
      if (fingers.size !== 2) return;
      // Against how it began, not step by step: where the picture meets an edge, steps would get lost.
      const now = spread(), from = pm.pinch;
      pm.zoom = Math.min(24, Math.max(1, (from.zoom * now.far) / Math.max(from.far, 1)));
      const k = pm.zoom / from.zoom;
      pm.x = now.x - k * (from.x - from.left); pm.y = now.y - k * (from.y - from.top); show(); return;
    }
    const p = toPicture(e); at.textContent = inside(p) ? `${p.x.toFixed(1)}, ${p.y.toFixed(1)}` : '';
    const d = pm.drag; if (!d) return;
    if (d.mark !== undefined) {
      const mark = pm.data.marks[d.mark]; d.moved = true;
      mark.x = p.x + d.dx; mark.y = p.y + d.dy; draw(); return;
    }
    if (Math.hypot(e.clientX - d.startX, e.clientY - d.startY) > 4) d.moved = true;
    if (!d.moved) return;
    if (d.part !== undefined) { dragPart(d, p); draw(); return; }
    if (d.draws) { d.to = p; draw(); } else { pm.x = d.x + e.clientX - d.startX; pm.y = d.y + e.clientY - d.startY; show(); }
  });
  port.addEventListener('pointerup', (e) => {
    const d = pm.drag; pm.drag = null; if (!d) return;
    if (d.mark !== undefined) {
      const mark = pm.data.marks[d.mark];
      if (d.moved) say({ op: 'move', index: d.mark, x: mark.x, y: mark.y });
      return;
    }
    if (d.part !== undefined) {
      // The outline stays where it was put until the page has taken it.
      const box = d.moved && pm.data.boxes.find((b) => b.label === d.part);
      if (box) box.corners = d.corners || box.corners.map((c) => [c[0] + d.dx, c[1] + d.dy]);
      if (d.moved && d.to) say({ op: 'size', ref: d.part, ...d.to });
      else if (d.moved) say({ op: 'shift', ref: d.part, dx: d.dx, dy: d.dy });
    } else if (d.draws && d.moved) say({ op: 'box', x0: d.from.x, y0: d.from.y, x1: d.to.x, y1: d.to.y });
    else if (!d.moved && pm.data.mode === 'point' && inside(d.from)) say({ op: 'add', x: d.from.x, y: d.from.y });
    draw();
  });
  port.addEventListener('wheel', (e) => { e.preventDefault(); const r = port.getBoundingClientRect();
    zoomAt(e.deltaY < 0 ? 1.25 : 0.8, e.clientX - r.left, e.clientY - r.top); }, { passive: false });
  const middle = () => [port.clientWidth / 2, port.clientHeight / 2];
  const whole = () => { pm.zoom = 1; show(); };
  // Without a mouse: the picture moves under a cross in its middle, Enter marks what lies there.
  port.addEventListener('keydown', (e) => {
    if ((e.ctrlKey || e.metaKey) && e.key === 'z') { e.preventDefault(); say({ op: 'undo' }); return; }
    if (e.ctrlKey || e.metaKey) return;
    const move = e.target === port && arrow(e);
    if (e.key === '+' || e.key === '-') zoomAt(e.key === '+' ? 1.5 : 1 / 1.5, ...middle());
    else if (e.key === '0') whole();
    else if (move) { pm.x -= 20 * move[0]; pm.y -= 20 * move[1]; show(); }
    else if (e.key === 'Enter' && e.target === port && pm.data.mode === 'point') {
      const r = port.getBoundingClientRect(), [x, y] = middle();
      const p = toPicture({ clientX: r.left + x, clientY: r.top + y });
      if (inside(p)) say({ op: 'add', ...p });
    } else return;
    e.preventDefault(); e.stopPropagation();
  });
  $('.in').onclick = () => zoomAt(1.5, ...middle());
  $('.out').onclick = () => zoomAt(1 / 1.5, ...middle());
  $('.fit').onclick = whole;
  $('.undo').onclick = () => say({ op: 'undo' });
  const observer = new ResizeObserver(show); observer.observe(port);
  pm.update = (component) => {
    pm.component = component; pm.data = component.data;
    image.alt = pm.data.title;
    if (pm.src !== pm.data.src) { pm.src = pm.data.src; image.src = pm.src; }
    $('.undo').style.display = pm.data.mode === 'look' ? 'none' : '';
    show();
  };
  pm.destroy = () => observer.disconnect();
  return pm;
}

export default function (component) {
  const root = component.parentElement.querySelector('.pm');
  root.hotspotMarks = root.hotspotMarks || build(root);
  root.hotspotMarks.update(component);
  return () => { root.hotspotMarks.destroy(); root.hotspotMarks = null; };
}
