// The way down of one piece: it moves along its path, turned as the motion model has it.
import { THREE } from "nicegui-scene";

const SHARED = ["position", "normal", "node"];
const SHOWN_IN = 6; // seconds in which a longer way down is played; a shorter one at its own pace

export const WOOD_VERTEX = `
  attribute float node;
  flat varying float vNode;
  varying vec3 vOut;
  void main() {
    vNode = node;
    vOut = mat3(modelMatrix) * normal;
    gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0);
  }`;
const MOVED_FRAGMENT = `
  varying vec3 vOut;
  void main() {
    vec3 n = normalize(vOut);
    float light = 0.5 + 0.32 * max(dot(n, vec3(-0.45, -0.62, 0.64)), 0.0) + 0.2 * (0.5 + 0.5 * n.z);
    gl_FragColor = vec4(vec3(1.0, 0.9, 0.0) * light, 1.0);
  }`;

export const WAY_STRIP = `
      <div v-if="ways" class="tsv-play" role="group" aria-label="The way down of the piece">
        <button type="button" class="tsv-button" :disabled="!lasts" @click="playing ? pause() : play()">{{ playing ? "❚❚ Stop" : "▶ Way down" }}</button>
        <label class="tsv-time"><span>{{ moment }}</span>
          <input type="range" min="0" max="1000" step="1" :value="shareDown" :disabled="!lasts" aria-label="Time on the way down" :aria-valuetext="moment" @input="slid($event.target.value)">
        </label>
        <button type="button" class="tsv-button" :disabled="nearAt === null" @click="toClosest()">Closest</button>
      </div>`;

export const wayDown = {
  props: { ways: Boolean },
  data: () => ({ lasts: 0, at: 0, playing: false, nearAt: null }),
  computed: {
    shareDown() { return this.lasts ? Math.round((1000 * this.at) / this.lasts) : 0; },
    moment() {
      if (!this.lasts) return "Choose a step";
      const near = this.nearAt !== null && Math.abs(this.at - this.nearAt) < 0.06 ? ", closest" : "";
      return `${this.at.toFixed(1)} of ${this.lasts.toFixed(1)} s${near}`;
    },
  },
  methods: {
    takeCourse(given) { // path, times and turns of the piece; null when no step is shown
      this.backUp();
      this.course = given;
      this.nodes = given?.nodes ?? [];
      this.times = given?.times ?? [];
      this.lasts = this.nodes.length && this.times.length > 1 ? this.times.at(-1) : 0;
      this.nearAt = this.lasts ? given.near?.time ?? null : null;
    },
    play() {
      if (this.at >= this.lasts - 1e-3) this.at = 0;
      this.playing = true;
      const pace = Math.max(1, this.lasts / SHOWN_IN), mine = (this.turn = (this.turn ?? 0) + 1);
      let before = performance.now();
      const frame = (now) => {
        if (!this.alive || !this.playing || mine !== this.turn) return;
        this.moveTo(Math.min(this.lasts, this.at + (pace * Math.max(0, now - before)) / 1000));
        before = now;
        if (this.at < this.lasts) requestAnimationFrame(frame);
        else this.playing = false;
      };
      requestAnimationFrame(frame);
    },
    pause() { this.playing = false; },
    slid(share) { this.pause(); this.moveTo((this.lasts * Number(share)) / 1000); },
    toClosest() { this.pause(); this.moveTo(this.nearAt); },
    backUp() { // the piece stands on the tree again
      this.pause();
      this.at = 0;
      if (!this.moved) return;
      this.scene.remove(this.moved);
      for (const name of SHARED) this.moved.geometry.deleteAttribute(name); // the tree goes on using them
      this.moved.geometry.dispose();
      this.moved.material.dispose();
      this.moved = null;
      if (this.given) this.setLooks(this.given);
    },
    moveTo(time) {
      if (!this.lasts || !this.wood) return;
      this.at = time;
      if (!this.moved) this.cutLoose();
      const { times, course } = this;
      let i = times.findIndex((t) => t >= time);
      if (i < 1) i = i < 0 ? times.length - 1 : 1;
      const share = Math.min(1, Math.max(0, (time - times[i - 1]) / Math.max(times[i] - times[i - 1], 1e-6)));
      const centre = new THREE.Vector3(...course.path[i - 1]).lerp(new THREE.Vector3(...course.path[i]), share);
      const turned = ([w, x, y, z]) => new THREE.Quaternion(x, y, z, w).normalize();
      const spin = course.turns ? turned(course.turns[i - 1]).slerp(turned(course.turns[i]), share) : new THREE.Quaternion();
      const start = new THREE.Vector3(...course.path[0]).applyQuaternion(spin);
      this.moved.matrix.compose(centre.sub(start), spin, new THREE.Vector3(1, 1, 1));
      this.moved.matrixWorldNeedsUpdate = true;
      this.draw();
    },
    cutLoose() { // the piece as a thing of its own; its wood on the tree is hidden meanwhile
      const own = new Set(this.nodes), node = this.wood.getAttribute("node").array, face = this.wood.index.array, mine = [];
      for (let f = 0; f < face.length; f += 3) if (own.has(node[face[f + 2]])) mine.push(face[f], face[f + 1], face[f + 2]);
      const shape = new THREE.BufferGeometry();
      for (const name of SHARED) shape.setAttribute(name, this.wood.getAttribute(name));
      shape.setIndex(mine);
      this.moved = new THREE.Mesh(shape, new THREE.ShaderMaterial({ vertexShader: WOOD_VERTEX, fragmentShader: MOVED_FRAGMENT, side: THREE.DoubleSide }));
      this.moved.matrixAutoUpdate = false;
      this.moved.frustumCulled = false;
      this.scene.add(this.moved);
      if (this.given) this.setLooks(this.given);
    },
  },
};
