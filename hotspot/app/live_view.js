// The live picture: raw values over a WebSocket, coloured here, laid over the photo by CSS.
const RISE_STEPS = 1000;

function build(root) {
  const $ = (s) => root.querySelector(s);
  const stage = $('.stage'), canvas = $('canvas'), photo = $('.stage img'), marks = $('.stage svg');
  const says = $('.says'), read = $('.read'), bar = $('.bar'), label = $('.barlabel');
  const ctx = canvas.getContext('2d');
  const live = { data: {}, socket: null, stopped: false, timer: null, frame: null, state: undefined,
    image: null, pixels: null, lut: null, pointer: null, photoUrl: null, sound: null, told: '', frozen: false };
  canvas.hotspot = live;

  function colours() {
    const bytes = Uint8Array.from(atob(live.data.lut), (c) => c.charCodeAt(0));
    live.lut = new Uint32Array(256); live.over = new Uint32Array(256);
    for (let i = 0; i < 256; i++) {
      const rgb = (bytes[3 * i + 2] << 16) | (bytes[3 * i + 1] << 8) | bytes[3 * i];
      live.lut[i] = (255 << 24) | rgb;
      // Cold is clear, so that the photo stays legible; warmth comes in over the first third.
      live.over[i] = (Math.round(Math.min(1, i / 85) * 225) << 24) | rgb;
    }
    const stops = [0, 64, 128, 192, 255].map((i) =>
      `rgb(${bytes[3 * i]},${bytes[3 * i + 1]},${bytes[3 * i + 2]})`);
    bar.style.background = `linear-gradient(to top, ${stops.join(',')})`;
  }

  function overPhoto() {
    return live.data.view === 'photo' && live.data.matrix && live.photoUrl && photo.naturalWidth;
  }

  // 3x3 homography thermal px -> stage px; pixel centres are whole numbers, edges half way between.
  function placing() {
    const f = live.frame; if (!f) return null;
    const W = stage.clientWidth, H = stage.clientHeight;
    if (overPhoto()) {
      const k = Math.min(W / photo.naturalWidth, H / photo.naturalHeight);
      const ox = (W - k * photo.naturalWidth) / 2, oy = (H - k * photo.naturalHeight) / 2;
      photo.style.display = 'block'; photo.style.width = `${k * photo.naturalWidth}px`;
      photo.style.transform = `translate(${ox}px, ${oy}px)`;
      const m = live.data.matrix;
      return mul([k, 0, ox + k / 2, 0, k, oy + k / 2, 0, 0, 1], m);
    }
    photo.style.display = 'none';
    const k = Math.min(W / f.w, H / f.h);
    return [k, 0, (W - k * f.w) / 2 + k / 2, 0, k, (H - k * f.h) / 2 + k / 2, 0, 0, 1];
  }
  function mul(a, b) {
    const o = [];
    for (let r = 0; r < 3; r++) for (let c = 0; c < 3; c++)
      o.push(a[3 * r] * b[c] + a[3 * r + 1] * b[3 + c] + a[3 * r + 2] * b[6 + c]);
    return o;
  }
  function place() {
    const p = placing(); if (!p) return;
    live.place = p;
    const h = mul(p, [1, 0, -0.5, 0, 1, -0.5, 0, 0, 1]).map((v) => +v.toFixed(7));
    canvas.style.transform =
      `matrix3d(${h[0]},${h[3]},0,${h[6]},${h[1]},${h[4]},0,${h[7]},0,0,1,0,${h[2]},${h[5]},0,${h[8]})`;
    drawMarks();
  }
  function toStage(x, y) {
    const p = live.place, w = p[6] * x + p[7] * y + p[8];
    return [(p[0] * x + p[1] * y + p[2]) / w, (p[3] * x + p[4] * y + p[5]) / w];
  }

  function onPicture(buffer) {
    const v = new DataView(buffer), w = v.getUint16(16, true), h = v.getUint16(18, true);
    const n = w * h, hasRise = v.getUint32(24, true) & 1;
    const f = { number: v.getUint32(4, true), made: v.getFloat64(8, true), w, h,
      top: v.getFloat32(20, true), values: new Float32Array(buffer, 28, n),
      rise: hasRise ? new Int16Array(buffer, 28 + 4 * n, n) : null };
    if (live.frozen && live.frame) return;
    const resized = !live.frame || live.frame.w !== w || live.frame.h !== h;
    const over = !!(overPhoto() && f.rise);
    live.frame = f;
    if (resized) {
      canvas.width = w; canvas.height = h; canvas.style.width = `${w}px`; canvas.style.height = `${h}px`;
      live.image = ctx.createImageData(w, h); live.pixels = new Uint32Array(live.image.data.buffer);
      place();
    }
    const lut = over ? live.over : live.lut, px = live.pixels;
    if (f.rise && live.data.shown !== 'temperature') {
      const k = 255 / RISE_STEPS, r = f.rise;
      for (let i = 0; i < n; i++) { const c = (r[i] * k) | 0; px[i] = lut[c < 0 ? 0 : c > 255 ? 255 : c]; }
      label.textContent = `+${number(f.top)} ${unitK()}`;
    } else {
      let lo = Infinity, hi = -Infinity; const a = f.values;
      for (let i = 0; i < n; i += 7) { const t = a[i]; if (t < lo) lo = t; if (t > hi) hi = t; }
      const k = 255 / Math.max(hi - lo, 1e-6);
      for (let i = 0; i < n; i++) { const c = ((a[i] - lo) * k) | 0; px[i] = lut[c < 0 ? 0 : c > 255 ? 255 : c]; }
      label.textContent = `${number(hi)} ${unit()}`;
    }
    ctx.putImageData(live.image, 0, 0);
    canvas.dataset.number = f.number; canvas.dataset.made = f.made;
    showPointer();
  }
  const unit = () => (live.state && live.state.unit) || '°C';
  const unitK = () => (unit() === '°C' ? 'K' : 'levels');
  const number = (v) => (Math.abs(v) < 1 ? v.toFixed(2) : v.toFixed(1));

  function showPointer() {
    const f = live.frame, p = live.pointer;
    if (!f || !p || p.x < 0 || p.y < 0 || p.x >= f.w || p.y >= f.h) { read.hidden = true; return; }
    const i = p.y * f.w + p.x; read.hidden = false;
    let text = `${f.values[i].toFixed(2)} ${unit()}`;
    if (f.rise) { const r = f.rise[i] * f.top / RISE_STEPS; text += ` · ${r < 0 ? '−' : '+'}${Math.abs(r).toFixed(3)} ${unitK()}`; }
    read.textContent = `${text} · (${p.x}, ${p.y})`;
  }
  canvas.addEventListener('pointermove', (e) => {
    live.pointer = { x: Math.floor(e.offsetX), y: Math.floor(e.offsetY) }; showPointer(); });
  canvas.addEventListener('pointerleave', () => { live.pointer = null; showPointer(); });

  function el(parent, tag, attributes, text) {
    const e = document.createElementNS('http://www.w3.org/2000/svg', tag);
    for (const k in attributes) e.setAttribute(k, attributes[k]);
    if (text !== undefined) e.textContent = text;
    parent.appendChild(e); return e;
  }
  function drawMarks() {
    marks.replaceChildren();
    const s = live.state && live.state.suspicion; if (!s || !live.place || s.verdict !== 'hot spot') return;
    s.spots.forEach((spot, i) => {
      const [x, y] = toStage(spot[0], spot[1]), r = i === 0 ? 22 : 13, dash = spot[3] === 'path' ? '4 5' : 'none';
      el(marks, 'circle', { cx: x, cy: y, r, fill: 'none', stroke: '#000', 'stroke-width': 5, opacity: .55 });
      el(marks, 'circle', { cx: x, cy: y, r, fill: 'none', stroke: '#fff', 'stroke-width': 2.5, 'stroke-dasharray': dash });
      if (i === 0 && s.named) {
        const text = `${s.suspects[0][0]}  ${percent(s.suspects[0][1])}`;
        el(marks, 'text', { x: x + r + 8, y: y + 6, fill: '#fff', stroke: '#000', 'stroke-width': 4,
          'paint-order': 'stroke', 'font-size': 20, 'font-weight': 700, 'font-family': 'inherit' }, text);
      }
    });
  }
  const percent = (p) => (p > 0.99 ? '> 99 %' : p < 0.01 ? '< 1 %' : `${Math.round(100 * p)} %`);
  const put = (selector, text) => { const e = $(selector); if (e.textContent !== text) e.textContent = text; };

  function onState(s) {
    const changed = !live.state || JSON.stringify(s.suspicion) !== JSON.stringify(live.state.suspicion);
    live.state = s;
    // The page's buttons were drawn for another state: have them drawn anew, once.
    if (s.signature !== live.data.signature && s.signature !== live.asked) {
      live.asked = s.signature; live.component.setTriggerValue('changed', s.signature);
    }
    says.textContent = !s.open ? 'No camera is open.' : s.problem
      ? `Camera: ${s.problem}. It goes on by itself once the camera is back.` : s.tape_says ? `Recording: ${s.tape_says}`
      : s.rate_hz ? '' : 'Waiting for the first picture …';
    if (!s.open) { $('.side').style.visibility = 'hidden'; canvas.width = canvas.width; live.frame = null; marks.replaceChildren(); return; }
    $('.side').style.visibility = 'visible';
    const cue = $('.cue'), c = s.cue;
    let word, then, on;
    if (s.baseline === 'taking') { word = 'COLD'; then = `hold still\n${s.baseline_left_s.toFixed(0)} s`; on = false; }
    else if (c) {
      on = c.on; word = on ? 'ON' : 'OFF';
      then = c.next_on === null ? 'train done' : `${c.next_on ? 'ON' : 'OFF'} in ${Math.ceil(c.left_s)} s\npulse ${c.pulse} of ${s.pulses}`;
    } else { on = s.on === true; word = on ? 'ON' : 'OFF'; then = s.on === null ? 'output' : `for ${s.since_s.toFixed(0)} s`; }
    const p = s.supply;
    if (p && !p.over && s.baseline !== 'taking') then = `${Math.max(0, p.length_s - p.since_s).toFixed(0)} s left`;
    cue.className = `cue ${on ? 'on' : 'off'}`; put('.word', word); put('.then', then);
    const alarm = $('.alarm'); alarm.hidden = !s.alarm; put('.alarm', s.alarm || '');
    const run = $('.run'); run.hidden = !p;
    if (p) put('.run', `Supply: ${p.phase}${p.over || !p.step ? '' : `\nStep ${p.step}`}` +
      (p.over || p.volts === null ? '' : `\nReads ${p.volts.toFixed(2)} V, ${p.amps === null ? '–' : p.amps.toFixed(2)} A`));
    // Heard as well: eyes are at the microscope.
    const tell = s.alarm ? 'alarm' : c ? word : '';
    if (tell !== live.told) { if (tell === 'alarm') beep(880, 0.9); else if (tell && live.told) beep(on ? 660 : 440, 0.18); live.told = tell; }
    answer(s);
    put('.facts', facts(s).join('\n'));
    if (changed) drawMarks();
  }
  // What the camera is really giving, one thing a line.
  function facts(s) {
    const noise = s.unit === '°C' ? `${(1000 * s.noise).toFixed(0)}\u00a0mK` : `${s.noise.toFixed(1)}\u00a0levels`;
    const of = s.rate_hz - s.fresh_hz > 1 ? ` of ${s.rate_hz.toFixed(0)}` : '';
    const lines = [`${s.camera}: ${s.size[0]}\u00a0×\u00a0${s.size[1]}`,
      `${s.fresh_hz.toFixed(0)} new frames/s${of}, noise ${noise}`];
    const w = s.suspicion.spoilt;
    if (w) {
      const bad = [[w.repeated, 'repeated'], [w.shutter, 'around the shutter']].filter(([n]) => n)
        .map(([n, what]) => `${n} ${what}`);
      lines.push(`Spoilt frames: ${bad.length ? `${bad.join(', ')}, of ${w.frames}` : 'none'}` +
        `; bad pixels: ${w.bad_pixels || 'none'}`);
    }
    if (s.recorded) lines.push(`Recording ${s.recorded_s.toFixed(0)} s, ${s.recorded} frames${s.lost ? `, ${s.lost} lost` : ''}`);
    if (s.unseen) lines.push(`${s.unseen} frames are not in the live answer: the machine is busy`);
    if (s.note) lines.push(s.note);
    return lines;
  }
  function beep(hertz, seconds) {
    if (!live.data.sound) return;
    try {
      live.sound = live.sound || new AudioContext();
      const tone = live.sound.createOscillator(), gain = live.sound.createGain();
      tone.frequency.value = hertz; gain.gain.value = 0.15; tone.connect(gain).connect(live.sound.destination);
      tone.start(); tone.stop(live.sound.currentTime + seconds);
    } catch (e) { live.sound = null; }  // no loudspeaker: the picture says it too
  }
  function answer(s) {
    const a = s.suspicion, rows = $('.rows');
    let title = 'Best suspect so far';
    if (a.verdict === 'hot spot' && !a.named) title = 'Hot spot, no part named';
    else if (a.verdict === 'no hot spot') title = 'No hot spot yet';
    else if (a.verdict === 'cannot tell') title = 'Cannot tell yet';
    else if (!a.suspects.length) title = 'No answer yet';
    put('.answer h3', title);
    rows.replaceChildren();
    for (const [ref, p] of a.suspects.slice(0, 4)) {
      const row = document.createElement('div'); row.className = 'row';
      const name = document.createElement('strong'); name.textContent = ref;
      const track = document.createElement('div'); track.className = 'track';
      const fill = document.createElement('div'); fill.className = 'fill'; fill.style.width = `${100 * p}%`;
      track.appendChild(fill);
      const pc = document.createElement('span'); pc.className = 'pc'; pc.textContent = percent(p);
      row.append(name, track, pc); rows.appendChild(row);
    }
    const why = a.suspects.length ? a.suspects[0][2] : a.note || (s.baseline === 'none' ? 'Take the cold baseline first.' :
      s.on === null && !s.cue ? 'Switch the output on.' : 'Evidence is being gathered.');
    put('.why', why);
    const line = $('.answer svg'); line.replaceChildren();
    const h = a.history.filter((x) => x[1]);
    if (h.length > 1) {
      const t0 = h[0][0], t1 = h[h.length - 1][0];
      const points = h.map((x) => `${(100 * (x[0] - t0) / Math.max(t1 - t0, 1e-6)).toFixed(1)},${(38 - 36 * x[2]).toFixed(1)}`);
      line.setAttribute('viewBox', '0 0 100 40'); line.setAttribute('preserveAspectRatio', 'none');
      el(line, 'polyline', { points: points.join(' '), fill: 'none', stroke: 'currentColor', 'stroke-width': 2, 'vector-effect': 'non-scaling-stroke' });
    }
  }
  function onPhoto(buffer) {
    if (live.photoUrl) URL.revokeObjectURL(live.photoUrl);
    live.photoUrl = buffer.byteLength > 1 ? URL.createObjectURL(new Blob([new Uint8Array(buffer, 1)])) : null;
    if (live.photoUrl) { photo.onload = place; photo.src = live.photoUrl; } else photo.removeAttribute('src');
  }

  function open() {
    if (live.stopped) return;
    const address = `${location.protocol === 'https:' ? 'wss' : 'ws'}://${location.host}${live.data.path}`;
    const socket = new WebSocket(address, [live.data.protocol, live.data.ticket]);
    live.socket = socket; socket.binaryType = 'arraybuffer';
    socket.onmessage = (e) => {
      try {
        const kind = new Uint8Array(e.data, 0, 1)[0];
        if (kind === 1) onPicture(e.data);
        else if (kind === 2) onState(JSON.parse(new TextDecoder().decode(new Uint8Array(e.data, 1))));
        else if (kind === 3) onPhoto(e.data);
      } finally { if (socket.readyState === 1) socket.send('.'); }
    };
    socket.onclose = (e) => {
      if (live.stopped || live.socket !== socket) return;
      says.textContent = 'Connecting …';
      if (e.code === 4401) live.component.setTriggerValue('renew', Date.now());
      live.timer = setTimeout(open, 700);
    };
  }
  // At once, without asking the server: what is to be frozen is on the screen now.
  const freeze = $('.freeze');
  function toggle() {
    live.frozen = !live.frozen; freeze.setAttribute('aria-pressed', live.frozen);
    freeze.firstChild.textContent = live.frozen ? 'Frozen ' : 'Freeze ';
  }
  freeze.onclick = toggle;
  const onKey = (e) => {
    const at = e.composedPath()[0];
    const types = at.isContentEditable || ['INPUT', 'TEXTAREA', 'SELECT'].includes(at.tagName);
    if (e.key.toLowerCase() === 'f' && !types && !e.repeat && !e.ctrlKey && !e.metaKey && !e.altKey) toggle();
  };
  document.addEventListener('keydown', onKey);
  const observer = new ResizeObserver(place); observer.observe(stage);
  live.update = (component) => {
    const first = !live.data.ticket, lut = live.data.lut;
    live.component = component; live.data = component.data; live.asked = null;
    if (live.data.lut !== lut) colours();
    place();
    if (first) open();
  };
  live.destroy = () => { live.stopped = true; document.removeEventListener('keydown', onKey); clearTimeout(live.timer); observer.disconnect();
    if (live.socket) live.socket.close(); if (live.photoUrl) URL.revokeObjectURL(live.photoUrl); };
  return live;
}

export default function (component) {
  const root = component.parentElement.querySelector('.lv');
  root.hotspotLive = root.hotspotLive || build(root);
  root.hotspotLive.update(component);
  return () => { root.hotspotLive.destroy(); root.hotspotLive = null; };
}
