// One solved box, turned about; every number that it tells was sent with it.

const $ = (id) => document.getElementById(`box-${id}`);

const VIEW = `#version 300 es
precision highp float;
uniform mat3 turn;
uniform vec3 middle;
uniform float zoom, aspect, part;
vec4 seen(vec3 p, out vec3 q) {
  q = turn * (p - middle);
  return vec4(zoom * q.x / aspect, zoom * q.y, -0.5 * q.z, 1.0);
}`;

const BODY = `${VIEW}
layout(location = 0) in vec3 mesh;
layout(location = 1) in vec3 centre;
layout(location = 2) in vec3 axis;
layout(location = 3) in vec2 size;
layout(location = 4) in float v0;
layout(location = 5) in float v1;
out vec3 at, from;
out float volt;
void main() {
  vec3 u = normalize(cross(axis, abs(axis.z) < 0.9 ? vec3(0, 0, 1) : vec3(1, 0, 0)));
  at = centre + size.x * (mesh.x * u + mesh.y * cross(axis, u)) + size.y * mesh.z * axis;
  volt = v0 < 0.0 || v1 < 0.0 ? (part < 0.5 ? v0 : v1) : mix(v0, v1, part);
  gl_Position = seen(at, from);
}`;

const BODY_COLOUR = `#version 300 es
precision highp float;
uniform vec3 high, middling, low, idle;
uniform float cut;
uniform int what;
in vec3 at, from;
in float volt;
out vec4 colour;
void main() {
  if (at.y < cut || (what == 1 && volt < 0.0)) discard;
  vec3 n = normalize(cross(dFdx(from), dFdy(from)));
  vec3 own = volt < 0.0 ? idle : volt > 0.5 ? mix(middling, high, 2.0 * volt - 1.0) : mix(low, middling, 2.0 * volt);
  colour = vec4(own * (0.5 + 0.5 * abs(n.z)), 1.0);
}`;

const DOT = `${VIEW}
uniform float cut, dot, edge;
layout(location = 0) in vec3 centre;
layout(location = 1) in float i0;
layout(location = 2) in float i1;
out float strength;
void main() {
  vec3 q;
  gl_Position = seen(centre, q);
  if (edge > 0.0) { strength = 0.0; return; }
  float i = mix(max(i0, 0.0), max(i1, 0.0), part);
  bool parted = (part < 0.5 ? i0 : i1) < 0.0;
  strength = parted ? -1.0 : clamp(1.0 + log(max(i, 1e-9)) / log(1e4), 0.0, 1.0);
  gl_PointSize = dot * (parted ? 3.0 : 1.0 + 8.0 * strength);
  gl_Position.z -= 0.01;
  if (centre.y < cut || strength == 0.0) gl_Position.z = 9.0;
}`;

const DOT_COLOUR = `#version 300 es
precision highp float;
uniform vec3 ink, bad, idle;
uniform float edge;
in float strength;
out vec4 colour;
void main() {
  if (edge == 0.0 && length(gl_PointCoord - 0.5) > 0.5) discard;
  colour = vec4(strength < 0.0 ? bad : mix(idle, ink, strength), 1.0);
}`;

const numbers = (text) => new Float32Array(Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer);

// a profile turned about the axis: triangles of a flat round body, or of a ball
function lathe(profile, sides) {
  const out = [];
  const spot = ([r, z], k) => [r * Math.cos((2 * Math.PI * k) / sides), r * Math.sin((2 * Math.PI * k) / sides), z];
  for (let k = 0; k < sides; k++)
    for (let i = 1; i < profile.length; i++) {
      const [a, b, c, d] = [spot(profile[i - 1], k), spot(profile[i - 1], k + 1), spot(profile[i], k), spot(profile[i], k + 1)];
      out.push(...a, ...c, ...b, ...b, ...c, ...d);
    }
  return new Float32Array(out);
}

let gl = null, programs = {}, scene = null, pending = false;
const eye = { turn: null, zoom: 1 };

function program(vertex, fragment) {
  const made = gl.createProgram();
  for (const [kind, text] of [[gl.VERTEX_SHADER, vertex], [gl.FRAGMENT_SHADER, fragment]]) {
    const shader = gl.createShader(kind);
    gl.shaderSource(shader, text);
    gl.compileShader(shader);
    gl.attachShader(made, shader);
  }
  gl.linkProgram(made);
  if (!gl.getProgramParameter(made, gl.LINK_STATUS)) throw Error(gl.getProgramInfoLog(made));
  const set = (name, ...x) => {
    const where = gl.getUniformLocation(made, name);
    if (name === "what") gl.uniform1i(where, x[0]);
    else if (name === "turn") gl.uniformMatrix3fv(where, false, x[0]);
    else gl[`uniform${x.length}f`](where, ...x);
  };
  return { made, set };
}

function attribute(place, buffer, size, stride = 0, offset = 0, each = 0) {
  gl.bindBuffer(gl.ARRAY_BUFFER, buffer);
  gl.enableVertexAttribArray(place);
  gl.vertexAttribPointer(place, size, gl.FLOAT, false, 4 * stride, 4 * offset);
  gl.vertexAttribDivisor(place, each);
}

function stored(data) {
  const buffer = gl.createBuffer();
  gl.bindBuffer(gl.ARRAY_BUFFER, buffer);
  gl.bufferData(gl.ARRAY_BUFFER, data, gl.STATIC_DRAW);
  return { buffer, count: data.length / 3 };
}

const product = (a, b) => a.map((_, k) => [0, 1, 2].reduce((sum, i) => sum + a[i * 3 + (k % 3)] * b[Math.floor(k / 3) * 3 + i], 0));

function rotate(x, y) {
  const [c, s, d, t] = [Math.cos(x), Math.sin(x), Math.cos(y), Math.sin(y)];
  eye.turn = product(product([1, 0, 0, 0, d, t, 0, -t, d], [c, 0, -s, 0, 1, 0, s, 0, c]), eye.turn);
  draw();
}

const tone = (name) => {
  const text = getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim().slice(1);
  const wide = text.length === 3 ? text.replace(/./g, "$&$&") : text;
  return [0, 2, 4].map((i) => parseInt(wide.slice(i, i + 2), 16) / 255);
};

function draw() {
  if (pending || !scene) return;
  pending = true;
  requestAnimationFrame(() => { pending = false; paint(); });
}

function paint() {
  const canvas = $("canvas"), dot = devicePixelRatio || 1;
  [canvas.width, canvas.height] = [canvas.clientWidth * dot, canvas.clientHeight * dot];
  const { box, made } = scene, last = box.steps - 1;
  const at = +$("strain").value, k = Math.min(Math.floor(at), Math.max(last - 1, 0)), next = Math.min(k + 1, last);
  const cut = +$("cut").value * box.size[1] - ($("cut").value > 0 ? 0 : 1), what = $("what").selectedIndex;
  gl.viewport(0, 0, canvas.width, canvas.height);
  gl.clearColor(...tone("paper"), 1);
  gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
  gl.enable(gl.DEPTH_TEST);
  const aim = (p) => {
    gl.useProgram(p.made);
    p.set("turn", eye.turn);
    p.set("middle", ...box.size.map((x) => x / 2));
    p.set("zoom", 1.25 * eye.zoom * Math.min(1, canvas.width / canvas.height));
    p.set("aspect", canvas.width / canvas.height);
    p.set("part", at - k);
    p.set("cut", cut);
    p.set("idle", ...tone("muted").map((x, i) => 0.5 * (x + tone("paper")[i])));
  };
  if (what < 2) {
    const p = programs.body;
    aim(p);
    p.set("what", what);
    for (const [name, own] of [["high", "copper"], ["middling", "half"], ["low", "main"]]) p.set(name, ...tone(own));
    for (const [mesh, from, count] of [[made.disc, 0, box.n - box.balls], [made.ball, box.n - box.balls, box.balls]]) {
      if (!count) continue;
      attribute(0, mesh.buffer, 3);
      for (const [place, size, offset] of [[1, 3, 0], [2, 3, 3], [3, 2, 6]]) attribute(place, made.bodies.buffer, size, 9, 9 * from + offset, 1);
      attribute(4, made.voltages.buffer, 1, 1, k * box.n + from, 1);
      attribute(5, made.voltages.buffer, 1, 1, next * box.n + from, 1);
      gl.drawArraysInstanced(gl.TRIANGLES, 0, mesh.count, count);
    }
  }
  for (const place of [3, 4, 5]) gl.disableVertexAttribArray(place);
  const p = programs.dot;
  aim(p);
  p.set("dot", dot);
  p.set("ink", ...tone("ink"));
  p.set("bad", ...tone("bad"));
  for (const [edge, buffer, kind, count] of [[0, made.points, gl.POINTS, box.m], [1, made.edges, gl.LINES, 24]]) {
    p.set("edge", edge);
    attribute(0, buffer.buffer, 3);
    attribute(1, made.currents.buffer, 1, 1, k * box.m);
    attribute(2, made.currents.buffer, 1, 1, next * box.m);
    if (edge) for (const place of [1, 2]) gl.disableVertexAttribArray(place);
    if (count) gl.drawArrays(kind, 0, count);
  }
  $("words").textContent = at === Math.round(at) ? box.words[at] : box.between[k];
  $("strain").setAttribute("aria-valuetext", $("words").textContent);
}

function wire() {
  const canvas = $("canvas");
  canvas.onpointermove = (event) => {
    if (event.buttons) rotate(0.008 * event.movementX, 0.008 * event.movementY);
  };
  canvas.onpointerdown = (event) => canvas.setPointerCapture(event.pointerId);
  const nearer = (by) => { eye.zoom = Math.min(Math.max(eye.zoom * by, 0.5), 20); draw(); };
  canvas.onwheel = (event) => { event.preventDefault(); nearer(Math.exp(-0.001 * event.deltaY)); };
  canvas.onkeydown = (event) => {
    const way = { ArrowLeft: [-0.1, 0], ArrowRight: [0.1, 0], ArrowUp: [0, -0.1], ArrowDown: [0, 0.1] }[event.key];
    const by = { "+": 1.2, "=": 1.2, "-": 1 / 1.2 }[event.key];
    if (way) rotate(...way);
    if (by) nearer(by);
    if (way || by) event.preventDefault();
  };
  for (const id of ["strain", "cut", "what"]) $(id).oninput = draw;
  $("save").onclick = () => {
    paint();
    canvas.toBlob((picture) => {
      const link = document.createElement("a");
      link.href = URL.createObjectURL(picture);
      link.download = "box.png";
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 1000);
    });
  };
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  new ResizeObserver(draw).observe(canvas);
}

export function show(box, notes) {
  $("offer").textContent = "";
  if (!gl) {
    gl = $("canvas").getContext("webgl2", { alpha: false, antialias: true });
    if (!gl) { $("offer").textContent = notes["no box"]; return; }
    programs = { body: program(BODY, BODY_COLOUR), dot: program(DOT, DOT_COLOUR) };
    // the current from left to right, the thickness up
    eye.turn = [1, 0, 0, 0, 0, -1, 0, 1, 0];
    rotate(-0.5, 0.35);
    wire();
  }
  const [x, y, z] = box.size, corner = (k) => [k & 1 ? x : 0, k & 2 ? y : 0, k & 4 ? z : 0];
  const edges = [0, 1, 2, 3, 4, 5, 6, 7].flatMap((k) => [1, 2, 4].filter((bit) => !(k & bit)).flatMap((bit) => [...corner(k), ...corner(k | bit)]));
  const ball = Array.from({ length: 9 }, (_, i) => [Math.sin((Math.PI * i) / 8), Math.cos((Math.PI * i) / 8)]);
  if (scene) for (const { buffer } of Object.values(scene.made)) gl.deleteBuffer(buffer);
  const made = {
    disc: stored(lathe([[0, 1], [1, 1], [1, -1], [0, -1]], 18)), ball: stored(lathe(ball, 14)),
    edges: stored(new Float32Array(edges)),
  };
  for (const name of ["bodies", "voltages", "points", "currents"]) made[name] = stored(numbers(box[name]));
  scene = { box, made };
  $("title").textContent = box.title;
  $("strain").max = box.steps - 1;
  $("view").hidden = false;
  document.body.dataset.box = box.title;
  draw();
}
