// A viewer of large planes: WebGL2 tiles of half floats, one plane at a time, rows upwards as on the sky. No dependencies.
// A curve's step moves no bytes: only numbers of the shader change. Another source keeps the place and the zoom.
const VERTEX = `#version 300 es
uniform vec4 u_rect;
uniform vec4 u_inside;
out vec2 v_at;
void main() {
  vec2 k = vec2(gl_VertexID & 1, gl_VertexID >> 1);
  v_at = mix(u_inside.xy, u_inside.zw, k);
  gl_Position = vec4(mix(u_rect.xy, u_rect.zw, k), 0.0, 1.0);
}`;
const FRAGMENT = `#version 300 es
precision highp float;
precision highp sampler2D;
uniform sampler2D u_tile;
uniform float u_black, u_softness, u_top;
in vec2 v_at;
out vec4 o;
void main() {
  float v = texture(u_tile, v_at).r;
  float x = (v - u_black) / u_softness;
  float s = sign(x) * log(abs(x) + sqrt(x * x + 1.0)) / u_top;
  o = isnan(v) ? vec4(0.03, 0.05, 0.055, 1.0) : vec4(vec3(clamp(s, 0.0, 1.0)), 1.0);
}`;

export function program(gl, vertex, fragment) {
  const p = gl.createProgram();
  for (const [type, source] of [[gl.VERTEX_SHADER, vertex], [gl.FRAGMENT_SHADER, fragment]]) {
    const s = gl.createShader(type);
    gl.shaderSource(s, source);
    gl.compileShader(s);
    if (!gl.getShaderParameter(s, gl.COMPILE_STATUS)) throw new Error(gl.getShaderInfoLog(s));
    gl.attachShader(p, s);
  }
  gl.linkProgram(p);
  if (!gl.getProgramParameter(p, gl.LINK_STATUS)) throw new Error(gl.getProgramInfoLog(p));
  return p;
}

const MOST_TILES = 120, MOST_FETCHES = 4, LARGEST_ZOOM = 32;

export class Viewer extends EventTarget {
  constructor(canvas) {
    super();
    this.canvas = canvas;
    this.sources = new Map();
    this.source = null;
    this.view = null;
    this.clock = 0;
    this.inflight = new Map();
    this.#begin();
    canvas.addEventListener("webglcontextlost", (e) => { e.preventDefault(); for (const s of this.sources.values()) s.tiles.clear(); });
    canvas.addEventListener("webglcontextrestored", () => { this.#begin(); this.draw(); });
    this.#listen();
    new ResizeObserver(() => this.#resize()).observe(canvas);
  }

  #begin() {
    const gl = (this.gl = this.canvas.getContext("webgl2", { alpha: false, antialias: false, preserveDrawingBuffer: true }));
    if (!gl) throw new Error("This browser has no WebGL2, which the viewer needs.");
    const p = program(gl, VERTEX, FRAGMENT);
    gl.useProgram(p);
    this.at = Object.fromEntries(["u_rect", "u_inside", "u_tile", "u_black", "u_softness", "u_top"].map((n) => [n, gl.getUniformLocation(p, n)]));
    gl.bindVertexArray(gl.createVertexArray());
    gl.pixelStorei(gl.UNPACK_ALIGNMENT, 2);
    gl.clearColor(0.03, 0.05, 0.055, 1);
  }

  // Shows another plane, given by the address of its view and tiles; the place stays where the sizes agree.
  async open(address) {
    let source = this.sources.get(address);
    if (!source) {
      const answer = await fetch(`${address}/view`);
      if (!answer.ok) throw new Error((await answer.json()).error?.what ?? `The server answered ${answer.status}.`);
      const facts = await answer.json();
      source = { address, facts, tiles: new Map(), curve: { black: facts.black, white: facts.white, softness: facts.softness } };
      this.sources.set(address, source);
      for (const key of [...this.sources.keys()].slice(0, -8)) this.#drop(key);
    }
    const before = this.source?.facts;
    this.source = source;
    this.#resize();
    if (!this.view || before.width !== source.facts.width || before.height !== source.facts.height) this.fit();
    this.draw();
    return source.facts;
  }

  #drop(address) {
    for (const t of this.sources.get(address).tiles.values()) if (t.texture) this.gl.deleteTexture(t.texture);
    this.sources.delete(address);
  }

  fit() {
    const { width, height } = this.source.facts;
    this.view = { x: width / 2, y: height / 2, zoom: Math.min(this.canvas.width / width, this.canvas.height / height) };
    this.draw();
  }

  zoomTo(zoom, px = this.canvas.width / 2, py = this.canvas.height / 2) {
    const [x, y] = this.toPlane(px, py);
    const { width, height } = this.source.facts;
    const least = Math.min(this.canvas.width / width, this.canvas.height / height, 1) / 2;
    zoom = Math.min(LARGEST_ZOOM, Math.max(least, zoom));
    this.view = { zoom, x: x - (px - this.canvas.width / 2) / zoom, y: y + (py - this.canvas.height / 2) / zoom };
    this.draw();
  }

  panBy(dx, dy) {
    const { width, height } = this.source.facts;
    this.view.x = Math.min(width, Math.max(0, this.view.x - dx / this.view.zoom));
    this.view.y = Math.min(height, Math.max(0, this.view.y + dy / this.view.zoom));
    this.draw();
  }

  // From device pixels of the canvas to the plane, whose first pixel covers 0 to 1.
  toPlane(px, py) {
    const v = this.view;
    return [v.x + (px - this.canvas.width / 2) / v.zoom, v.y - (py - this.canvas.height / 2) / v.zoom];
  }

  draw() { this.pending ??= requestAnimationFrame(() => { this.pending = null; this.#render(); }); }

  #level() {
    const wanted = Math.max(0, Math.floor(Math.log2(1 / this.view.zoom) + 0.35));
    return Math.min(wanted, this.source.facts.levels.length - 1);
  }

  #visible(level) {
    const facts = this.source.facts, l = facts.levels[level], size = l.scale * facts.tile, found = [];
    const [x0, y1] = this.toPlane(0, 0), [x1, y0] = this.toPlane(this.canvas.width, this.canvas.height);
    const across = Math.ceil(l.width / facts.tile), up = Math.ceil(l.height / facts.tile);
    for (let y = Math.max(0, Math.floor(y0 / size)); y <= Math.min(up - 1, Math.floor(y1 / size)); y++)
      for (let x = Math.max(0, Math.floor(x0 / size)); x <= Math.min(across - 1, Math.floor(x1 / size)); x++) found.push([level, x, y]);
    return found;
  }

  #render() {
    if (!this.source || !this.view) return;
    const { gl, at, canvas, source } = this, { black, white, softness } = source.curve;
    gl.viewport(0, 0, canvas.width, canvas.height);
    gl.clear(gl.COLOR_BUFFER_BIT);
    gl.uniform1f(at.u_black, black);
    gl.uniform1f(at.u_softness, softness);
    gl.uniform1f(at.u_top, Math.asinh(Math.max(white - black, 1e-6) / softness));
    const now = ++this.clock, top = source.facts.levels.length - 1, level = this.#level();
    const fine = this.#visible(level), missing = [];
    const have = (t) => { const found = source.tiles.get(t.join("/")); if (found) found.used = now; return found?.texture ? found : null; };
    for (const t of fine) if (!have(t)) missing.push(t);
    if (missing.length)
      for (let l = top; l > level; l--)
        for (const t of this.#visible(l)) {
          const found = have(t);
          if (found) this.#drawTile(t, found);
          else if (l === top) missing.push(t);
        }
    for (const t of fine) { const found = have(t); if (found) this.#drawTile(t, found); }
    this.#want(missing.filter((t) => !source.tiles.get(t.join("/"))?.failed));
    canvas.dataset.shown = missing.length ? "" : source.address;
    this.dispatchEvent(new Event(missing.length ? "loading" : "idle"));
  }

  #drawTile([level, column, row], tile) {
    const { gl, at, canvas: c, view: v, source } = this, scale = source.facts.levels[level].scale, size = source.facts.tile;
    const w = tile.width - 2, h = tile.height - 2, x = column * size * scale, y = row * size * scale;
    const left = ((x - v.x) * v.zoom * 2) / c.width, low = ((y - v.y) * v.zoom * 2) / c.height;
    gl.uniform4f(at.u_rect, left, low, left + (w * scale * v.zoom * 2) / c.width, low + (h * scale * v.zoom * 2) / c.height);
    gl.uniform4f(at.u_inside, 1 / tile.width, 1 / tile.height, 1 - 1 / tile.width, 1 - 1 / tile.height);
    gl.bindTexture(gl.TEXTURE_2D, tile.texture);
    gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MAG_FILTER, scale === 1 && v.zoom >= 2 ? gl.NEAREST : gl.LINEAR);
    gl.drawArrays(gl.TRIANGLE_STRIP, 0, 4);
  }

  #want(list) {
    const facts = this.source.facts, last = facts.levels.length - 1;
    const far = ([l, x, y]) => {
      const s = facts.levels[l].scale * facts.tile;
      return Math.hypot((x + 0.5) * s - this.view.x, (y + 0.5) * s - this.view.y) - (l === last ? 1e9 : 0);
    };
    this.queue = list.sort((a, b) => far(a) - far(b));
    const keep = new Set(list.map((t) => `${this.source.address}/${t.join("/")}`));
    for (const [key, controller] of this.inflight) if (!keep.has(key)) controller.abort();
    this.#pump();
  }

  #pump() {
    while (this.inflight.size < MOST_FETCHES && this.queue.length) {
      const t = this.queue.shift(), key = `${this.source.address}/${t.join("/")}`;
      if (!this.inflight.has(key) && !this.source.tiles.get(t.join("/"))) this.#load(this.source, t, key);
    }
  }

  async #load(source, t, key) {
    const controller = new AbortController();
    this.inflight.set(key, controller);
    try {
      const answer = await fetch(`${source.address}/tiles/${t.join("/")}`, { signal: controller.signal });
      if (!answer.ok) throw new Error(`A part of the picture could not be read (${answer.status}).`);
      const width = Number(answer.headers.get("X-Tile-Width")), height = Number(answer.headers.get("X-Tile-Height"));
      const data = new Uint16Array(await answer.arrayBuffer());
      source.tiles.set(t.join("/"), { texture: this.#upload(data, width, height), width, height, used: this.clock });
      this.#forget();
    } catch (error) {
      if (error.name !== "AbortError") {
        source.tiles.set(t.join("/"), { failed: true });
        this.dispatchEvent(new CustomEvent("trouble", { detail: error.message }));
      }
    } finally {
      this.inflight.delete(key);
      this.draw();
    }
  }

  #upload(data, width, height) {
    const { gl } = this, texture = gl.createTexture();
    gl.bindTexture(gl.TEXTURE_2D, texture);
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.R16F, width, height, 0, gl.RED, gl.HALF_FLOAT, data);
    for (const [name, value] of [[gl.TEXTURE_WRAP_S, gl.CLAMP_TO_EDGE], [gl.TEXTURE_WRAP_T, gl.CLAMP_TO_EDGE], [gl.TEXTURE_MIN_FILTER, gl.LINEAR], [gl.TEXTURE_MAG_FILTER, gl.LINEAR]]) gl.texParameteri(gl.TEXTURE_2D, name, value);
    return texture;
  }

  #forget() {
    const loaded = [];
    for (const s of this.sources.values()) for (const [k, t] of s.tiles) if (t.texture) loaded.push([s, k, t]);
    if (loaded.length <= MOST_TILES) return;
    loaded.sort((a, b) => a[2].used - b[2].used);
    for (const [s, k, t] of loaded.slice(0, loaded.length - MOST_TILES)) { this.gl.deleteTexture(t.texture); s.tiles.delete(k); }
  }

  #resize() {
    const d = devicePixelRatio || 1, c = this.canvas;
    const w = Math.max(1, Math.round(c.clientWidth * d)), h = Math.max(1, Math.round(c.clientHeight * d));
    if (w !== c.width || h !== c.height) {
      const whole = this.view && this.source && Math.abs(this.view.zoom - Math.min(c.width / this.source.facts.width, c.height / this.source.facts.height)) < 1e-9;
      c.width = w;
      c.height = h;
      if (whole) this.fit();
      this.draw();
    }
  }

  #tell(px, py) {
    const [x, y] = this.toPlane(px, py).map(Math.floor), { width, height } = this.source.facts;
    const inside = x >= 0 && y >= 0 && x < width && y < height;
    this.dispatchEvent(new CustomEvent("pixel", { detail: inside ? { x, y } : null }));
  }

  #listen() {
    const c = this.canvas, fingers = new Map();
    const at = (e) => { const d = devicePixelRatio || 1, box = c.getBoundingClientRect(); return [(e.clientX - box.left) * d, (e.clientY - box.top) * d]; };
    let moved = 0;
    c.addEventListener("pointerdown", (e) => { if (!this.source) return; fingers.set(e.pointerId, at(e)); moved = 0; c.setPointerCapture(e.pointerId); });
    c.addEventListener("pointermove", (e) => {
      if (!this.source) return;
      const now = at(e), before = fingers.get(e.pointerId);
      if (before && fingers.size === 1) { this.panBy(now[0] - before[0], now[1] - before[1]); moved += Math.hypot(now[0] - before[0], now[1] - before[1]); }
      if (before && fingers.size === 2) {
        const other = [...fingers].find(([id]) => id !== e.pointerId)[1];
        const was = Math.hypot(before[0] - other[0], before[1] - other[1]), is = Math.hypot(now[0] - other[0], now[1] - other[1]);
        if (was > 0) this.zoomTo((this.view.zoom * is) / was, (now[0] + other[0]) / 2, (now[1] + other[1]) / 2);
      }
      if (before) fingers.set(e.pointerId, now);
      if (!before || e.pointerType !== "touch") this.#tell(...now);
    });
    const up = (e) => {
      if (fingers.delete(e.pointerId) && moved < 6 && e.type === "pointerup") { this.#tell(...at(e)); this.dispatchEvent(new CustomEvent("tap", { detail: this.toPlane(...at(e)) })); }
    };
    c.addEventListener("pointerup", up);
    c.addEventListener("pointercancel", up);
    c.addEventListener("dblclick", (e) => this.zoomTo(this.view.zoom < 1 ? 1 : this.view.zoom * 2, ...at(e)));
    c.addEventListener("wheel", (e) => { if (!this.source) return; e.preventDefault(); this.zoomTo(this.view.zoom * Math.exp(-e.deltaY * 0.0015), ...at(e)); }, { passive: false });
    c.tabIndex = 0;
    c.addEventListener("keydown", (e) => {
      const step = c.width / 8;
      const act = {
        1: () => this.zoomTo(1), 0: () => this.fit(), "+": () => this.zoomTo(this.view.zoom * 1.5), "=": () => this.zoomTo(this.view.zoom * 1.5), "-": () => this.zoomTo(this.view.zoom / 1.5),
        ...(this.ownArrows ? { ArrowLeft: () => this.panBy(step, 0), ArrowRight: () => this.panBy(-step, 0) } : {}),
        ArrowUp: () => this.panBy(0, step), ArrowDown: () => this.panBy(0, -step),
      }[e.key];
      if (act && this.source && !e.ctrlKey && !e.metaKey && !e.altKey) { e.preventDefault(); act(); this.#tell(c.width / 2, c.height / 2); }
    });
  }
}
