// The tree in three dimensions: wood by node, scan points, what stands around, one step's way.
// Draws only when something has changed: at once with as many points as the device draws quickly,
// then with all of them when it has been left alone for a moment.
import { THREE, OrbitControls } from "nicegui-scene";
import { WAY_STRIP, WOOD_VERTEX, wayDown } from "treescan-scripts/way_down.js";

const WIDE = 256; // nodes in a row of the table of looks
const CHUNK = 150000; // points asked for at a time
const QUICK = 150000; // points drawn at once on a device not known yet; more or fewer as it keeps up
const SMOOTH_MS = 40; // a frame drawn in this time counts as quick
const NO_NODE = 65535;

const WOOD_FRAGMENT = `
  uniform sampler2D looks;
  uniform vec3 sawn;
  flat varying float vNode;
  varying vec3 vOut;
  void main() {
    int i = int(vNode + 0.5);
    vec4 look = texelFetch(looks, ivec2(i % ${WIDE}, i / ${WIDE}), 0);
    if (look.a < 0.1) discard;
    ivec2 p = ivec2(gl_FragCoord.xy);
    if (look.a < 0.6 && ((p.x + p.y) % 3 != 0)) discard;
    vec3 n = normalize(vOut);
    float light = 0.5 + 0.32 * max(dot(n, vec3(-0.45, -0.62, 0.64)), 0.0) + 0.2 * (0.5 + 0.5 * n.z);
    gl_FragColor = vec4(gl_FrontFacing ? look.rgb * light : sawn, 1.0);
  }`;
const POINT_VERTEX = `
  attribute vec4 tone;
  attribute float node;
  uniform sampler2D looks;
  uniform float size;
  uniform bool treeOnly;
  varying vec3 vTone;
  void main() {
    vTone = tone.rgb;
    gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0);
    int i = int(node + 0.5);
    bool off = treeOnly;
    if (i < ${NO_NODE}) off = texelFetch(looks, ivec2(i % ${WIDE}, i / ${WIDE}), 0).a < 0.95;
    if (off) gl_Position = vec4(2.0, 2.0, 2.0, 1.0);
    gl_PointSize = size;
  }`;
const POINT_FRAGMENT = `
  varying vec3 vTone;
  void main() { gl_FragColor = vec4(vTone, 1.0); }`;

const hex = (text) => [1, 3, 5].map((i) => parseInt(text.slice(i, i + 2), 16));

export default {
  mixins: [wayDown],
  template: `
    <div class="tsv" :data-state="state">
      <canvas class="tsv-canvas" tabindex="0" role="application" :aria-label="said"></canvas>
      <div class="tsv-signs" aria-hidden="true"></div>
      <div class="tsv-count" aria-live="off">{{ count }}</div>
      ${WAY_STRIP}
      <div v-if="trouble" class="tsv-trouble" role="alert">{{ trouble }}</div>
    </div>`,
  props: { source: String, mark: String, said: String, ways: Boolean },
  data: () => ({ state: "loading", count: "", trouble: "" }),

  async mounted() {
    this.born = performance.now();
    this.alive = true;
    this.fault = (error) => { this.state = "none"; this.trouble = `No 3-D view on this device: ${error.message}. The cut list below says the same.`; };
    try {
      this.setUp();
      await this.loadWood();
    } catch (error) {
      this.fault(error);
      this.$emit("none");
      return;
    }
    if (!this.alive) return;
    this.state = "ready";
    this.draw();
    this.$el.dataset.firstMs = Math.round(performance.now() - this.born);
    this.$emit("ready", { phone: this.budget() < 1e6 });
    this.loadPoints().catch((error) => { if (this.alive) this.count = `scan points: ${error.message}`; });
  },
  unmounted() {
    this.alive = false;
    this.watcher?.disconnect();
    this.controls?.dispose();
    this.scene?.traverse((o) => { o.geometry?.dispose(); o.material?.dispose?.(); });
    this.looks?.dispose();
    this.moved?.material.dispose();
    this.renderer?.dispose();
    this.renderer?.forceContextLoss?.();
  },

  methods: {
    setUp() {
      const canvas = this.$el.querySelector("canvas");
      this.renderer = new THREE.WebGLRenderer({ canvas, antialias: true, powerPreference: "high-performance" });
      this.renderer.setPixelRatio(Math.min(devicePixelRatio, 2));
      this.scene = new THREE.Scene();
      this.scene.background = new THREE.Color("#ffffff");
      this.scene.add(new THREE.HemisphereLight(0xffffff, 0xb8b0a0, 2.4));
      const sun = new THREE.DirectionalLight(0xffffff, 1.1);
      sun.position.set(-8, -12, 14);
      this.scene.add(sun);
      this.camera = new THREE.PerspectiveCamera(45, 1, 0.1, 900);
      this.camera.up.set(0, 0, 1);
      this.controls = new OrbitControls(this.camera, canvas);
      this.controls.zoomToCursor = true;
      this.quick = QUICK;
      this.wholeMs = 0;
      this.clouds = [];
      this.signs = [];
      this.cloudLeast = 0;
      this.controls.addEventListener("start", () => { this.moving = true; });
      this.controls.addEventListener("end", () => { this.moving = false; this.draw(); });
      this.controls.addEventListener("change", () => this.draw());
      this.watcher = new ResizeObserver(() => this.draw());
      this.watcher.observe(canvas);
      canvas.addEventListener("webglcontextlost", (e) => e.preventDefault());
      canvas.addEventListener("webglcontextrestored", () => this.draw());
      this.listen(canvas);
      this.way = new THREE.Group();
      this.marks = new THREE.Group();
      this.scene.add(this.way, this.marks);
    },

    async fetched(path) {
      const answer = await fetch(`${this.source}/${path}?v=${encodeURIComponent(this.mark)}`, { credentials: "same-origin" });
      if (!answer.ok) throw new Error(`the laptop answered ${answer.status}`);
      return answer;
    },
    async loadWood() {
      const [words, block] = await Promise.all([
        this.fetched("scene.json").then((a) => a.json()),
        this.fetched("scene.bin").then((a) => a.arrayBuffer()),
      ]);
      this.words = words;
      const floats = ([first, count]) => new Float32Array(block, first, count);
      const ints = ([first, count]) => new Uint32Array(block, first, count);
      const rows = Math.ceil(words.nodes / WIDE);
      this.table = new Uint8Array(WIDE * rows * 4).fill(255);
      this.paint(this.table, hex(words.stays));
      this.looks = new THREE.DataTexture(this.table, WIDE, rows, THREE.RGBAFormat, THREE.UnsignedByteType);
      this.looks.needsUpdate = true;
      const w = words.wood, wood = new THREE.BufferGeometry();
      wood.setAttribute("position", new THREE.BufferAttribute(floats(w.place), 3));
      wood.setAttribute("normal", new THREE.BufferAttribute(new Int8Array(block, ...w.normal), 4, true));
      wood.setAttribute("node", new THREE.BufferAttribute(floats(w.node), 1));
      wood.setIndex(new THREE.BufferAttribute(ints(w.face), 1));
      const look = new THREE.ShaderMaterial({
        vertexShader: WOOD_VERTEX, fragmentShader: WOOD_FRAGMENT, side: THREE.DoubleSide,
        uniforms: { looks: { value: this.looks }, sawn: { value: new THREE.Vector3(...hex(words.sawn).map((v) => v / 255)) } },
      });
      this.wood = wood;
      this.scene.add(new THREE.Mesh(wood, look));
      this.solids = words.solids.map((s) => {
        const shape = new THREE.BufferGeometry();
        shape.setAttribute("position", new THREE.BufferAttribute(floats(s.place), 3));
        shape.setAttribute("normal", new THREE.BufferAttribute(floats(s.normal), 3));
        shape.setIndex(new THREE.BufferAttribute(ints(s.face), 1));
        const mesh = new THREE.Mesh(shape, new THREE.MeshLambertMaterial({
          color: s.colour, side: THREE.DoubleSide, transparent: s.alpha < 1, opacity: s.alpha, depthWrite: s.alpha === 1,
        }));
        mesh.userData = { kind: s.kind, name: s.name, colour: s.colour, alpha: s.alpha };
        this.scene.add(mesh);
        return mesh;
      });
      this.addUnions(words.unions);
      for (const sign of words.signs) this.addSign(sign);
      if (this.wanted) this.look(...this.wanted);
      else this.lookAtAll();
      if (this.waiting) this.setLooks(this.waiting);
    },
    lookAtAll() {
      const { low, high } = this.words, tall = high[2] - low[2];
      const far = 1.5 * Math.max(tall, high[0] - low[0], 4), to = [(low[0] + high[0]) / 2, (low[1] + high[1]) / 2, low[2] + 0.48 * tall];
      this.look([to[0], to[1] - far, to[2] + 0.1 * far], to, true);
    },
    paint(table, [r, g, b]) { for (let i = 0; i < table.length; i += 4) { table[i] = r; table[i + 1] = g; table[i + 2] = b; } },

    // Points come in blocks, each a fair sample of the whole, until the device's budget is used.
    budget() {
      const memory = navigator.deviceMemory ?? 4, small = Math.min(screen.width, screen.height) < 600;
      if (small) return memory >= 6 ? 800000 : 500000;
      return memory >= 8 ? 2000000 : 1000000;
    },
    async loadPoints() {
      let about = null;
      for (let waited = 0; this.alive && waited < 900; waited += 2) {
        about = await this.fetched("points.json").then((a) => a.json());
        if (about.state !== "reading") break;
        this.count = "scan points: being read";
        await new Promise((done) => setTimeout(done, 2000));
      }
      if (!about || about.state !== "ready") { this.count = about?.why ?? ""; return; }
      this.about = about;
      const most = Math.min(about.count, this.budget());
      for (let first = 0; first < most && this.alive; first += CHUNK) {
        const many = Math.min(CHUNK, most - first);
        const data = await this.fetched(`points/${first}/${many}`).then((a) => a.arrayBuffer());
        if (!this.alive) return;
        this.addCloud(data, many);
        this.draw();
      }
      this.tellCount();
      this.$el.dataset.pointsMs = Math.round(performance.now() - this.born);
    },
    addCloud(data, many) {
      const cloud = new THREE.BufferGeometry();
      cloud.setAttribute("position", new THREE.BufferAttribute(new Uint16Array(data, 0, many * 3), 3, true));
      cloud.setAttribute("node", new THREE.BufferAttribute(new Uint16Array(data, many * 6, many), 1));
      cloud.setAttribute("tone", new THREE.BufferAttribute(new Uint8Array(data, many * 8, many * 4), 4, true));
      this.pointLook ??= new THREE.ShaderMaterial({
        vertexShader: POINT_VERTEX, fragmentShader: POINT_FRAGMENT,
        uniforms: {
          size: { value: 1.7 * this.renderer.getPixelRatio() }, treeOnly: { value: this.cloudLeast === 1 }, looks: { value: this.looks },
        },
      });
      const points = new THREE.Points(cloud, this.pointLook);
      points.scale.set(...this.about.extent);
      points.position.set(...this.about.corner);
      points.frustumCulled = false;
      points.userData.many = many;
      points.visible = this.cloudLeast <= 1;
      this.clouds.push(points);
      this.scene.add(points);
    },
    pointCount() { return this.clouds.reduce((sum, c) => sum + c.userData.many, 0); },
    tellCount() {
      const shown = this.pointCount();
      this.$el.dataset.points = shown;
      const word = (n) => n.toLocaleString("en");
      this.count = this.cloudLeast > 1 ? "" : `${word(shown)} of ${word(this.about.total)} scan points`;
    },

    draw() {
      if (this.asked || !this.alive) return;
      this.asked = true;
      requestAnimationFrame(() => { this.asked = false; if (this.alive) this.frame(); });
    },
    frame(whole) {
      const canvas = this.renderer.domElement, w = canvas.clientWidth, h = canvas.clientHeight;
      if (!w || !h) return;
      if (this.wide !== w || this.high !== h) {
        this.wide = w; this.high = h;
        this.renderer.setSize(w, h, false);
        this.camera.aspect = w / h;
        this.camera.updateProjectionMatrix();
      }
      const all = this.cloudLeast > 1 ? 0 : this.pointCount(), share = whole || all <= this.quick ? 1 : this.quick / all;
      for (const c of this.clouds) c.geometry.setDrawRange(0, Math.ceil(c.userData.many * share));
      this.renderer.render(this.scene, this.camera);
      clearTimeout(this.rest);
      if (share < 1) this.rest = setTimeout(() => { if (this.alive && !this.moving) this.frame(true); }, Math.min(1200, 150 + 1.5 * this.wholeMs));
      this.placeSigns(w, h);
      this.$el.dataset.eye = this.camera.position.toArray().map((v) => v.toFixed(2)).join(" ");
      this.$el.dataset.drawn = Math.round(all * share);
      if (all && !this.timed) this.timeDrawing(share);
    },
    timeDrawing(share) { // how long the device took for what was asked
      const gl = this.renderer.getContext(), began = performance.now();
      const fence = gl.fenceSync(gl.SYNC_GPU_COMMANDS_COMPLETE, 0);
      if (!fence) return;
      gl.flush();
      this.timed = true;
      const look = () => {
        if (!this.alive || gl.isContextLost()) { this.timed = false; return; }
        if (gl.getSyncParameter(fence, gl.SYNC_STATUS) !== gl.SIGNALED) { setTimeout(look, 3); return; }
        const ms = performance.now() - began;
        gl.deleteSync(fence);
        this.timed = false;
        if (share === 1) this.wholeMs = ms;
        const drawn = Number(this.$el.dataset.drawn);
        if (ms < SMOOTH_MS) this.quick = Math.max(this.quick, 1.3 * drawn);
        else if (share < 1 || drawn <= this.quick) this.quick = Math.max(10000, Math.min(this.quick, drawn) * Math.max(0.3, SMOOTH_MS / ms));
        this.$el.dataset.drawMs = ms.toFixed(0);
      };
      look();
    },

    look(eye, to, whole) { // whole: step back on a narrow screen, so that the crown stays in sight
      this.wanted = [eye, to, whole];
      if (!this.camera) return;
      const canvas = this.renderer.domElement;
      const back = whole ? Math.max(1, 1.15 * canvas.clientHeight / Math.max(canvas.clientWidth, 1)) : 1;
      this.camera.position.set(...eye.map((v, i) => to[i] + back * (v - to[i])));
      this.controls.target.set(...to);
      this.controls.update();
      this.draw();
    },
    toggleCloud(least) { // 0 all points, 1 those by the tree, 2 none
      this.cloudLeast = least;
      if (this.pointLook) this.pointLook.uniforms.treeOnly.value = least === 1;
      for (const c of this.clouds ?? []) c.visible = least <= 1;
      if (this.about) this.tellCount();
      this.draw();
    },

    // Looks: a number for each node into a short list of [colour, opacity]; opacity 0 hides.
    setLooks(given) {
      if (!this.table) { this.waiting = given; return; }
      this.given = given;
      const raw = atob(given.rows), kinds = given.kinds.map(([c, a]) => [...hex(c), Math.round(255 * a)]);
      for (let i = 0; i < this.words.nodes; i++) {
        const kind = kinds[raw.charCodeAt(2 * i) | (raw.charCodeAt(2 * i + 1) << 8)];
        this.table.set(kind, 4 * i);
      }
      if (this.moved) for (const i of this.nodes) this.table[4 * i + 3] = 0;
      this.looks.needsUpdate = true;
      this.draw();
    },

    bar(points, radius, colour, clear) {
      const line = new THREE.CurvePath();
      const places = points.map((p) => new THREE.Vector3(...p)).filter((p, i, all) => !i || p.distanceTo(all[i - 1]) > 1e-3);
      if (places.length < 2) return null;
      for (let i = 1; i < places.length; i++) line.add(new THREE.LineCurve3(places[i - 1], places[i]));
      const shape = new THREE.TubeGeometry(line, Math.min(4 * places.length, 160), radius, 6, false);
      const mesh = new THREE.Mesh(shape, new THREE.MeshBasicMaterial({ color: colour, depthTest: !clear, transparent: !!clear }));
      mesh.renderOrder = clear ? 5 : 0;
      return mesh;
    },
    ball(at, radius, colour, clear) {
      const mesh = new THREE.Mesh(new THREE.SphereGeometry(radius, 18, 12), new THREE.MeshBasicMaterial({ color: colour, depthTest: !clear, transparent: !!clear }));
      mesh.position.set(...at);
      mesh.renderOrder = clear ? 6 : 0;
      return mesh;
    },
    empty(group) {
      for (const child of [...group.children]) { child.geometry?.dispose(); child.material?.dispose(); group.remove(child); }
    },
    setWay(given) { // the way of one step: path, landing, ties, line, closest target
      if (!this.way) return;
      this.takeCourse(given);
      this.empty(this.way);
      this.dropSigns("way");
      for (const s of this.solids ?? []) {
        const near = given && s.userData.name === given.near?.name && ["target", "conductor"].includes(s.userData.kind);
        s.material.opacity = near ? 0.9 : s.userData.alpha;
      }
      if (given) {
        const add = (mesh) => mesh && this.way.add(mesh);
        add(this.bar(given.path, 0.06, "#111111"));
        if (given.line) add(this.bar(given.line, 0.035, "#0072B2", true));
        for (const tie of given.ties ?? []) add(this.ball(tie, 0.16, "#E69F00", true));
        if (given.landing) {
          const turn = Array.from({ length: 33 }, (_, i) => [given.landing[0] + given.reach * Math.cos((i * Math.PI) / 16), given.landing[1] + given.reach * Math.sin((i * Math.PI) / 16), given.landing[2] + 0.15]);
          add(this.bar(turn, 0.07, "#111111"));
        }
        if (given.cut) add(this.disc(given.cut));
        if (given.near) {
          add(this.bar([given.near.from, given.near.to], 0.07, given.near.kept ? "#D55E00" : "#B00020", true));
          add(this.ball(given.near.from, 0.14, given.near.kept ? "#D55E00" : "#B00020", true));
          const mid = given.near.from.map((v, i) => (v + given.near.to[i]) / 2);
          this.addSign({ kind: "way", text: given.near.text, at: mid });
        }
        if (given.sign) this.addSign({ kind: "way", text: given.sign, at: given.cut?.at ?? given.path[0] });
      }
      this.draw();
    },
    disc({ at, axis, radius }) {
      const mesh = new THREE.Mesh(new THREE.TorusGeometry(radius * 1.35 + 0.05, 0.035, 8, 36), new THREE.MeshBasicMaterial({ color: "#B00020", depthTest: false, transparent: true }));
      mesh.position.set(...at);
      mesh.quaternion.setFromUnitVectors(new THREE.Vector3(0, 0, 1), new THREE.Vector3(...axis).normalize());
      mesh.renderOrder = 7;
      return mesh;
    },
    setMark(given) { // the place that was tapped, or a cut being moved
      if (!this.marks) return;
      this.empty(this.marks);
      this.dropSigns("mark");
      if (given) {
        if (given.cut) this.marks.add(this.disc(given.cut));
        else this.marks.add(this.ball(given.at, 0.12, "#CC0077", true));
        if (given.text) this.addSign({ kind: "mark", text: given.text, at: given.cut?.at ?? given.at });
      }
      this.draw();
    },
    addUnions(rows) {
      const yes = [], no = [];
      for (const u of rows) (u.holds ? yes : no).push(u);
      this.unionMarks = new THREE.Group();
      const pen = (fill) => {
        const c = document.createElement("canvas");
        c.width = c.height = 64;
        const p = c.getContext("2d");
        p.translate(32, 32);
        p.rotate(Math.PI / 4);
        p.lineWidth = 9; p.strokeStyle = "#000"; p.fillStyle = fill;
        p.fillRect(-17, -17, 34, 34);
        p.strokeRect(-17, -17, 34, 34);
        return new THREE.CanvasTexture(c);
      };
      for (const [some, fill] of [[yes, "#00B386"], [no, "#ffffff"]]) {
        if (!some.length) continue;
        const shape = new THREE.BufferGeometry().setFromPoints(some.map((u) => new THREE.Vector3(...u.at)));
        const look = new THREE.PointsMaterial({ map: pen(fill), size: 15 * this.renderer.getPixelRatio(), sizeAttenuation: false, transparent: true, depthTest: false, alphaTest: 0.2 });
        const points = new THREE.Points(shape, look);
        points.renderOrder = 4;
        this.unionMarks.add(points);
      }
      this.unionMarks.visible = !!this.unionsWanted;
      this.scene.add(this.unionMarks);
    },
    showUnions(on) { this.unionsWanted = on; if (this.unionMarks) { this.unionMarks.visible = on; this.draw(); } },

    // Names: always the same size; the less important of two that would lie on each other is left out.
    addSign({ kind, text, at, node }) {
      const el = document.createElement("div");
      el.className = `tsv-sign tsv-${kind}`;
      el.textContent = text.length > 44 ? `${text.slice(0, 43)}…` : text;
      this.$el.querySelector(".tsv-signs").append(el);
      const rank = ["mark", "way", "tie-in", "anchor", "conductor", "target", "zone", "limb"].indexOf(kind);
      this.signs.push({ kind, el, rank, node, at: new THREE.Vector3(...at) });
      this.signs.sort((a, b) => a.rank - b.rank);
    },
    dropSigns(kind) {
      for (const s of this.signs ?? []) if (s.kind === kind) s.el.remove();
      this.signs = (this.signs ?? []).filter((s) => s.kind !== kind);
    },
    showSigns(on) { this.signsOff = !on; this.draw(); },
    placeSigns(w, h) {
      const taken = [], at = new THREE.Vector3();
      for (const s of this.signs) {
        at.copy(s.at).project(this.camera);
        const off = at.z > 1 || Math.abs(at.x) > 1.02 || Math.abs(at.y) > 1.02 || (this.signsOff && s.rank > 1) || (s.node && this.table[4 * s.node + 3] < 25);
        if (off) { s.el.style.visibility = "hidden"; continue; }
        s.wide ??= s.el.offsetWidth;
        s.high ??= s.el.offsetHeight;
        const x = Math.min(Math.max(((at.x + 1) / 2) * w - s.wide / 2, 2), w - s.wide - 2);
        const y = Math.min(Math.max(((1 - at.y) / 2) * h - s.high - 8, 2), h - s.high - 2);
        const box = [x, y, x + s.wide, y + s.high];
        const hit = taken.some((t) => box[0] < t[2] + 3 && box[2] > t[0] - 3 && box[1] < t[3] + 2 && box[3] > t[1] - 2);
        s.el.style.visibility = hit ? "hidden" : "visible";
        if (hit) continue;
        taken.push(box);
        s.el.style.transform = `translate(${x.toFixed(0)}px,${y.toFixed(0)}px)`;
      }
    },

    // A tap is a short press that does not wander; a drag turns the view and picks nothing.
    listen(canvas) {
      let down = null, fingers = 0;
      canvas.addEventListener("pointerdown", (e) => { fingers++; down = fingers > 1 ? null : [e.clientX, e.clientY, performance.now()]; });
      canvas.addEventListener("pointercancel", () => { fingers = 0; down = null; });
      addEventListener("pointerup", () => { fingers = Math.max(0, fingers - 1); });
      canvas.addEventListener("pointerup", (e) => {
        if (!down || Math.hypot(e.clientX - down[0], e.clientY - down[1]) > 8 || performance.now() - down[2] > 900) return;
        down = null;
        this.tap(e.clientX, e.clientY, e.pointerType === "mouse" ? 9 : 20);
      });
      canvas.addEventListener("keydown", (e) => this.key(e));
    },
    tap(x, y, finger) {
      this.$el.dataset.taps = 1 + Number(this.$el.dataset.taps ?? 0);
      const r = this.renderer.domElement.getBoundingClientRect();
      const at = new THREE.Vector3(((x - r.left) / r.width) * 2 - 1, 1 - ((y - r.top) / r.height) * 2, 0.5);
      const from = this.camera.getWorldPosition(new THREE.Vector3()), way = at.unproject(this.camera).sub(from).normalize();
      const spread = (2 * Math.tan((this.camera.fov * Math.PI) / 360) * finger) / r.height;
      this.$emit("tap", { from: from.toArray(), way: way.toArray(), spread, cloud: this.cloudLeast });
    },
    key(e) {
      const turn = { ArrowLeft: [0.12, 0], ArrowRight: [-0.12, 0], ArrowUp: [0, -0.1], ArrowDown: [0, 0.1] }[e.key];
      const away = this.camera.position.clone().sub(this.controls.target);
      if (turn) {
        const ball = new THREE.Spherical().setFromVector3(new THREE.Vector3(away.x, away.z, -away.y));
        ball.theta += turn[0];
        ball.phi = Math.min(Math.max(ball.phi + turn[1], 0.03), Math.PI - 0.03);
        const v = new THREE.Vector3().setFromSpherical(ball);
        away.set(v.x, -v.z, v.y);
      } else if (e.key === "+" || e.key === "=") away.multiplyScalar(0.85);
      else if (e.key === "-") away.multiplyScalar(1.18);
      else if (e.key === "Enter") { const r = this.renderer.domElement.getBoundingClientRect(); this.tap(r.left + r.width / 2, r.top + r.height / 2, 20); return e.preventDefault(); }
      else if (e.key === "PageDown" || e.key === "PageUp") { this.$emit("turn", e.key === "PageDown" ? 1 : -1); return e.preventDefault(); }
      else return;
      e.preventDefault();
      this.look(this.controls.target.clone().add(away).toArray(), this.controls.target.toArray());
    },
  },
};
