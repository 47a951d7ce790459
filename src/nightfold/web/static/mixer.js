// The colour formulas of the picture on the browser's graphics processor, on layers at preview size. They are those of
// Python's picture stage step by step; a test compares both to 1/255 a channel. Constants come from there, too.
import { program } from "./viewer.js";

const MOST_FILTERS = 8, MOST_STEPS = 8;
const VERTEX = `#version 300 es
void main() {
  vec2 k = vec2(gl_VertexID & 1, gl_VertexID >> 1);
  gl_Position = vec4(k * 2.0 - 1.0, 0.0, 1.0);
}`;
const FRAGMENT = `#version 300 es
precision highp float;
precision highp int;
precision highp sampler2DArray;
uniform sampler2DArray u_layers;
uniform int u_count;                       // filters mixed
uniform int u_layer[${MOST_FILTERS}];      // their layers
uniform vec2 u_linear[${MOST_FILTERS}];    // value = x * texel + y: unit, sky and gain in one
uniform vec3 u_curve[${MOST_FILTERS}];     // black, softness, 1 / asinh(top)
uniform vec3 u_shares[${MOST_FILTERS}];    // of red, green and blue, each channel summing to 1
uniform float u_from_all;
uniform bool u_speaks[${MOST_FILTERS}];    // filters whose light makes the common lightness
uniform mat3 u_to_lms, u_to_lab, u_from_lab, u_from_lms;
uniform int u_steps;
uniform int u_kind[${MOST_STEPS}];         // 1 turn hues, 2 saturate, 3 stars
uniform vec4 u_a[${MOST_STEPS}], u_b[${MOST_STEPS}];
uniform int u_stars, u_tints;              // layers, -1 for none
out vec4 o;

const float PI = 3.14159265358979;
float arsinh(float x) { return sign(x) * log(abs(x) + sqrt(x * x + 1.0)); }
vec3 root3(vec3 v) { return sign(v) * pow(abs(v), vec3(1.0 / 3.0)); }
vec3 to_lab(vec3 rgb) { return u_to_lab * root3(u_to_lms * rgb); }
vec3 from_lab(vec3 lab) { vec3 l = u_from_lab * lab; return u_from_lms * (l * l * l); }
vec3 into_gamut(vec3 c) {
  float y = clamp(dot(vec3(0.2126729, 0.7151522, 0.0721750), c), 0.0, 1.0);
  float top = max(max(c.r, c.g), c.b), low = min(min(c.r, c.g), c.b);
  float share = top > 1.0 ? (1.0 - y) / (top - y) : 1.0;
  if (low < 0.0) share = min(share, y / (y - low));
  return clamp(y + clamp(share, 0.0, 1.0) * (c - y), 0.0, 1.0);
}
vec3 srgb(vec3 x) {
  x = clamp(x, 0.0, 1.0);
  return mix(12.92 * x, 1.055 * pow(max(x, vec3(0.0031308)), vec3(1.0 / 2.4)) - 0.055, step(vec3(0.0031308), x));
}
float layer(int i) { return texelFetch(u_layers, ivec3(ivec2(gl_FragCoord.xy), i), 0).r; }
float smoothed(float s) { return s * s * (3.0 - 2.0 * s); }

vec3 turn_hues(vec3 lab, vec4 a, vec4 b) {
  float hue = degrees(lab.y == 0.0 && lab.z == 0.0 ? 0.0 : atan(lab.z, lab.y));
  float off = abs(mod(hue - 0.5 * (a.x + a.y) + 180.0, 360.0) - 180.0);
  float share = clamp((0.5 * (a.y - a.x) + b.x - off) / max(b.x, 1e-6), 0.0, 1.0);
  float t = radians((mod(a.z - hue + 180.0, 360.0) - 180.0) * smoothed(share) * a.w);
  return vec3(lab.x, lab.y * cos(t) - lab.z * sin(t), lab.y * sin(t) + lab.z * cos(t));
}
float tanh_of(float x) { float e = exp(-2.0 * abs(x)); return sign(x) * (1.0 - e) / (1.0 + e); }
vec3 saturate_(vec3 lab, vec4 a) {
  float c = length(lab.yz);
  float scale = c > 1e-6 ? a.y * tanh_of(a.x / a.y * c) / max(c, 1e-6) : a.x;
  if (a.z > 0.0) scale *= smoothed(clamp(2.0 * lab.x / a.z - 1.0, 0.0, 1.0));
  return vec3(lab.x, lab.yz * scale);
}
vec3 with_stars(vec3 rgb, vec4 a, vec4 b) {
  if (u_stars < 0 || a.z == 0.0) return rgb;
  float l = clamp(arsinh(layer(u_stars) * b.x / a.y) / arsinh(a.x / a.y), 0.0, 1.0);
  l = a.w == 1.0 ? l : pow(l, a.w);
  vec3 shown = vec3(min(l * l * l * a.z, 1.0));
  if (u_tints >= 0 && b.y > 0.0) {
    vec3 tint = vec3(layer(u_tints), layer(u_tints + 1), layer(u_tints + 2));
    shown = min(shown * (1.0 + b.y * (tint - 1.0)), vec3(1.0));
  }
  return 1.0 - (1.0 - rgb) * (1.0 - shown);
}

void main() {
  vec3 rgb = vec3(0.0);
  float total = 0.0, strongest = 0.0, speaking = 0.0;
  for (int i = 0; i < u_count; i++) {
    float v = layer(u_layer[i]) * u_linear[i].x + u_linear[i].y;
    float l = clamp(arsinh((v - u_curve[i].x) / u_curve[i].y) * u_curve[i].z, 0.0, 1.0);
    float light = l * l * l;
    rgb += u_shares[i] * light;
    if (u_speaks[i]) { total += light; strongest = max(strongest, light); speaking += 1.0; }
  }
  vec3 lab;
  bool in_lab = false;
  if (u_from_all > 0.0) {
    lab = to_lab(rgb);
    float wanted = pow(0.5 * (total / speaking + strongest), 1.0 / 3.0);
    float made = lab.x + u_from_all * (wanted - lab.x);
    lab = vec3(made, lab.yz * clamp((made + 0.05) / (lab.x + 0.05), 0.5, 1.5));
    in_lab = true;
  }
  for (int i = 0; i < u_steps; i++) {
    if (u_kind[i] == 3) {
      if (in_lab) rgb = into_gamut(from_lab(lab));
      in_lab = false;
      rgb = with_stars(rgb, u_a[i], u_b[i]);
      continue;
    }
    if (!in_lab) lab = to_lab(rgb);
    in_lab = true;
    lab = u_kind[i] == 1 ? turn_hues(lab, u_a[i], u_b[i]) : saturate_(lab, u_a[i]);
  }
  if (in_lab) rgb = into_gamut(from_lab(lab));
  o = vec4(srgb(rgb), 1.0);
}`;

const rowsToColumns = (m) => [0, 1, 2].flatMap((c) => [0, 1, 2].map((r) => m[r][c]));
export function inverse(m) {
  const [[a, b, c], [d, e, f], [g, h, i]] = m, det = a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g);
  return [[e * i - f * h, c * h - b * i, b * f - c * e], [f * g - d * i, a * i - c * g, c * d - a * f], [d * h - e * g, b * g - a * h, a * e - b * d]].map((r) => r.map((v) => v / det));
}

export class Mixer {
  constructor(canvas, formulas) {
    this.canvas = canvas;
    this.formulas = formulas;
    this.buffer = null;
    this.#begin();
    canvas.addEventListener("webglcontextlost", (e) => e.preventDefault());
    canvas.addEventListener("webglcontextrestored", () => { this.#begin(); if (this.buffer) { this.load(this.buffer); this.draw(this.recipe); } });
  }

  #begin() {
    const gl = (this.gl = this.canvas.getContext("webgl2", { alpha: false, antialias: false, preserveDrawingBuffer: true }));
    if (!gl) throw new Error("This browser has no WebGL2, which live mixing needs; pictures can still be made.");
    this.program = program(gl, VERTEX, FRAGMENT);
    gl.useProgram(this.program);
    gl.bindVertexArray(gl.createVertexArray());
    const { rgb_to_lms: m1, lms_to_lab: m2 } = this.formulas;
    for (const [name, matrix] of [["u_to_lms", m1], ["u_to_lab", m2], ["u_from_lms", inverse(m1)], ["u_from_lab", inverse(m2)]])
      gl.uniformMatrix3fv(this.#at(name), false, rowsToColumns(matrix));
  }

  #at(name) { return this.gl.getUniformLocation(this.program, name); }

  // Takes the answer of /api/picture/layers: facts and floats.
  load(buffer) {
    this.buffer = buffer;
    const length = new DataView(buffer).getUint32(0, true);
    const facts = (this.facts = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length))));
    const data = new Float32Array(buffer.slice(4 + length)), { width, height } = facts, { gl } = this, A = gl.TEXTURE_2D_ARRAY;
    const count = facts.layers.length + (facts.star_unit === null ? 0 : 1) + (facts.tinted ? 3 : 0);
    if (this.texture) gl.deleteTexture(this.texture);
    this.texture = gl.createTexture();
    gl.bindTexture(A, this.texture);
    gl.pixelStorei(gl.UNPACK_ALIGNMENT, 4);
    gl.texImage3D(A, 0, gl.R32F, width, height, count, 0, gl.RED, gl.FLOAT, data);
    for (const [name, value] of [[gl.TEXTURE_MIN_FILTER, gl.NEAREST], [gl.TEXTURE_MAG_FILTER, gl.NEAREST]]) gl.texParameteri(A, name, value);
    this.canvas.width = width;
    this.canvas.height = height;
    return facts;
  }

  draw(recipe) {
    this.recipe = recipe;
    if (!this.facts) return;
    this.pending ??= requestAnimationFrame(() => { this.pending = null; this.render(this.recipe); });
  }

  render(recipe) {
    const { gl, facts } = this, step = (name) => recipe.steps.find((s) => s.step === name);
    const level = step("level"), stretch = step("stretch"), mix = step("mix"), names = Object.keys(mix.rows);
    const sums = [0, 1, 2].map((c) => names.reduce((t, n) => t + mix.rows[n][c], 0));
    const chosen = names.some((n) => n === "L") ? ["L"] : names.filter((n) => mix.rows[n].some((v) => v));
    gl.viewport(0, 0, facts.width, facts.height);
    gl.useProgram(this.program);
    gl.uniform1i(this.#at("u_count"), names.length);
    names.forEach((name, i) => {
      const at = facts.layers.findIndex((l) => l.filter === name), l = facts.layers[at];
      const known = level && name in level.sky, sky = known ? level.sky[name] : 0, gain = known ? (level.gain[name] ?? 1) : 1;
      const [black, white, softness] = stretch.of_filter?.[name] ?? [stretch.black, stretch.white, stretch.softness];
      gl.uniform1i(this.#at(`u_layer[${i}]`), at);
      gl.uniform2f(this.#at(`u_linear[${i}]`), l.unit * gain, (l.pedestal - sky) * gain);
      gl.uniform3f(this.#at(`u_curve[${i}]`), black, softness, 1 / Math.asinh((white - black) / softness));
      gl.uniform3fv(this.#at(`u_shares[${i}]`), mix.rows[name].map((v, c) => (sums[c] > 0 ? v / sums[c] : v)));
      gl.uniform1i(this.#at(`u_speaks[${i}]`), chosen.includes(name) ? 1 : 0);
    });
    gl.uniform1f(this.#at("u_from_all"), names.length > 1 ? mix.lightness_from_all : 0);
    let count = 0;
    for (const s of recipe.steps) {
      if (count >= MOST_STEPS) break;
      const span = s.sector ? this.formulas.sectors[s.sector] : [s.from_deg, s.to_deg];
      const made = {
        "turn-hues": () => [1, [span[0], span[1], s.towards_deg, s.strength], [s.feather_deg, 0, 0, 0]],
        saturate: () => [2, [s.factor, s.most, s.grey_below, 0], [0, 0, 0, 0]],
        "stars-back": () => [3, [s.white, s.softness, s.brightness, 1 / s.size], [facts.star_unit ?? 1, s.colour, 0, 0]],
      }[s.step]?.();
      if (!made) continue;
      gl.uniform1i(this.#at(`u_kind[${count}]`), made[0]);
      gl.uniform4fv(this.#at(`u_a[${count}]`), made[1]);
      gl.uniform4fv(this.#at(`u_b[${count}]`), made[2]);
      count += 1;
    }
    gl.uniform1i(this.#at("u_steps"), count);
    gl.uniform1i(this.#at("u_stars"), facts.star_unit === null ? -1 : facts.layers.length);
    gl.uniform1i(this.#at("u_tints"), facts.tinted ? facts.layers.length + 1 : -1);
    gl.drawArrays(gl.TRIANGLE_STRIP, 0, 4);
    this.canvas.dataset.drawn = String(Number(this.canvas.dataset.drawn ?? 0) + 1);
  }
}
