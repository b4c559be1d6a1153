// Three-dimensional view of the plan: pieces, ways and site out of the GLB, points of the scan.
const $ = (id) => document.getElementById(id);
const data = JSON.parse($('job-data').textContent);
const raw = async (id) => {
  const text = atob($(id).textContent.trim()), bytes = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i++) bytes[i] = text.charCodeAt(i);
  return new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream('gzip'))).arrayBuffer();
};
const cards = [...document.querySelectorAll('.card[data-step]')];
const last = cards.length;
let current = 0;

function remember(key, value) {
  try { if (value === undefined) return localStorage.getItem(key); localStorage.setItem(key, value); } catch { return null; }
  return null;
}

function units() {
  const kept = remember('treescan-units');
  if (kept === 'us' || kept === 'm') $(kept === 'us' ? 'unit-us' : 'unit-m').checked = true;
  for (const id of ['unit-m', 'unit-us']) $(id).addEventListener('change', () => remember('treescan-units', $('unit-us').checked ? 'us' : 'm'));
}

function ticks() {
  for (const box of document.querySelectorAll('.tick input')) {
    const key = `treescan-${data.plan_id}-${box.dataset.step}`;
    box.checked = remember(key) === '1';
    box.addEventListener('change', () => remember(key, box.checked ? '1' : '0'));
  }
}

units();
ticks();

async function view3d() {
  const box = $('view3d');
  if (!box || !$('three')) return;
  const url = URL.createObjectURL(new Blob([await raw('three')], { type: 'text/javascript' }));
  const { THREE, OrbitControls, GLTFLoader } = await import(url);
  box.hidden = false;
  const el = $('view');
  const renderer = new THREE.WebGLRenderer({ antialias: true });
  renderer.setPixelRatio(Math.min(devicePixelRatio, 2));
  el.appendChild(renderer.domElement);
  const scene = new THREE.Scene();
  scene.background = new THREE.Color('#ffffff');
  scene.add(new THREE.HemisphereLight(0xffffff, 0xb0a890, 2.2));
  const sun = new THREE.DirectionalLight(0xffffff, 1.4);
  sun.position.set(8, 20, 12);
  scene.add(sun);
  const camera = new THREE.PerspectiveCamera(45, 1, 0.1, 600);
  const controls = new OrbitControls(camera, renderer.domElement);

  const gltf = await new GLTFLoader().parseAsync(await raw('glb'), ''), tree = gltf.scene;
  scene.add(tree);
  const pieces = new Map(), ways = new Map(), rooms = [];
  tree.traverse((node) => {
    if (node.userData.swept) { rooms.push(node); node.traverse((m) => { if (m.isMesh) m.material.depthWrite = false; }); }
    const step = node.userData.step;
    if (step > 0 && node.userData.piece) pieces.set(step, node);
    else if (step > 0) ways.set(step, node);
  });
  for (const piece of pieces.values()) piece.userData.home = { p: piece.position.clone(), q: piece.quaternion.clone() };
  const clips = new Map();
  for (const clip of gltf.animations) clips.set(Number(/^step (\d+)/.exec(clip.name)?.[1] ?? 0), clip);

  const points = await cloud(THREE, tree);
  const height = data.height_m, spread = data.spread_m;
  const target = new THREE.Vector3(0, height * 0.45, 0).add(new THREE.Vector3(...data.base_yup));

  const draw = () => {
    const w = el.clientWidth, h = el.clientHeight;
    if (renderer.domElement.width !== w || renderer.domElement.height !== h) renderer.setSize(w, h);
    camera.aspect = w / h;
    camera.updateProjectionMatrix();
    renderer.render(scene, camera);
  };
  const look = (x, y, z, to = target) => { camera.position.set(x, y, z).add(to); controls.target.copy(to); controls.update(); draw(); };
  const far = Math.max(height, spread) * 1.5;
  const presets = {
    front: () => look(0, height * 0.05, far),
    side: () => look(far, height * 0.05, 0),
    plan: () => look(0, far * 1.25, 0.01),
    climber: () => {
      const piece = pieces.get(current);
      if (!piece) return presets.front();
      const to = piece.userData.home.p.clone().applyMatrix4(piece.parent.matrixWorld);
      const away = new THREE.Vector3(to.x - target.x, 0, to.z - target.z);
      if (away.length() < 0.3) away.set(0, 0, 1);
      away.normalize();
      return look(-1.2 * away.x - 3.6 * away.z, 1.6, -1.2 * away.z + 3.6 * away.x, to);
    },
    ground: () => look(far * 0.35, 1.7 - height * 0.45, far * 0.55),
  };

  const places = [];
  tree.traverse((node) => { if (node.userData.cut_away_at_step !== undefined) places.push(node); });
  const stands = (until, step) => !until || step <= until;

  // Names of anchors, targets and wires, always the same size on the screen; at a step only its own anchors.
  let tied = 0;
  const signs = [];
  tree.traverse((node) => {
    const found = /^(anchor|tie-in|target|conductor) (.+)$/.exec(node.userData.name ?? '');
    if (!found || (found[1] === 'anchor' && !(node.userData.peak_N > 0)) || (found[1] === 'tie-in' && tied++)) return;
    const box3 = new THREE.Box3().setFromObject(node), at = box3.getCenter(new THREE.Vector3());
    at.y = box3.max.y + 0.25;
    const sign = label(THREE, found[2]);
    sign.position.copy(at);
    sign.userData.anchor = found[1] === 'anchor' ? found[2] : '';
    sign.userData.until = node.userData.cut_away_at_step;
    signs.push(sign);
    scene.add(sign);
  });

  let playing = 0;
  const restore = (step) => {
    const piece = pieces.get(step);
    if (!piece) return;
    piece.position.copy(piece.userData.home.p);
    piece.quaternion.copy(piece.userData.home.q);
  };
  const glow = (piece, on) => piece.traverse((m) => {
    if (!m.isMesh) return;
    if (!m.userData.own) { m.material = m.material.clone(); m.userData.own = true; }
    m.material.emissive.set(on ? '#3a2200' : '#000000');
    m.material.color.copy(on ? new THREE.Color('#ff9d00') : (m.userData.colour ??= m.material.color.clone()));
  });
  for (const piece of pieces.values()) piece.traverse((m) => { if (m.isMesh) { m.userData.colour = m.material.color.clone(); m.material = m.material.clone(); m.userData.own = true; } });

  function show(step) {
    playing++;
    restore(current);
    for (const [n, piece] of pieces) { piece.visible = n >= step || step === 0; glow(piece, n === step); }
    for (const [n, way] of ways) way.visible = n === step;
    const rig = pieces.get(step)?.userData;
    for (const place of places) place.visible = stands(place.userData.cut_away_at_step, step);
    for (const sign of signs) sign.visible = stands(sign.userData.until, step) && (!rig || !sign.userData.anchor || sign.userData.anchor === rig.anchor || (rig.redirects ?? []).includes(sign.userData.anchor));
    draw();
  }
  function play() {
    const clip = clips.get(current), piece = pieces.get(current);
    if (!clip || !piece) return;
    const mine = ++playing, mixer = new THREE.AnimationMixer(piece);
    const track = clip.tracks.map((t) => { const c = t.clone(); c.name = c.name.replace(/^[^.]*\./, '.'); return c; });
    const action = mixer.clipAction(new THREE.AnimationClip(clip.name, clip.duration, track));
    action.setLoop(THREE.LoopOnce, 1);
    action.clampWhenFinished = true;
    action.play();
    let before = performance.now(), passed = 0;
    const frame = (now) => {
      if (mine !== playing) return;
      mixer.update((now - before) / 1000);
      passed += (now - before) / 1000;
      before = now;
      draw();
      if (passed < clip.duration + 0.1) requestAnimationFrame(frame);
    };
    requestAnimationFrame(frame);
  }

  // A tap picks the nearest piece under the finger; a drag turns the view and picks nothing.
  let down = null;
  renderer.domElement.addEventListener('pointerdown', (e) => { down = [e.clientX, e.clientY]; });
  renderer.domElement.addEventListener('pointerup', (e) => {
    if (!down || Math.hypot(e.clientX - down[0], e.clientY - down[1]) > 8) return;
    const r = renderer.domElement.getBoundingClientRect(), ray = new THREE.Raycaster();
    const shown = [...pieces.values()].filter((p) => p.visible);
    for (const [dx, dy] of [[0, 0], [-8, 0], [8, 0], [0, -8], [0, 8], [-14, -14], [14, -14], [-14, 14], [14, 14]]) {
      const at = new THREE.Vector2(((e.clientX + dx - r.left) / r.width) * 2 - 1, 1 - ((e.clientY + dy - r.top) / r.height) * 2);
      ray.setFromCamera(at, camera);
      const hit = ray.intersectObjects(shown, true)[0];
      if (!hit) continue;
      let node = hit.object;
      while (node && !node.userData.piece) node = node.parent;
      if (node) { go(node.userData.step); return; }
    }
  });

  function now(step) {
    const card = cards[step - 1];
    $('now').innerHTML = '';
    if (!card) { $('now').textContent = `All ${last} cuts. Tap a piece, or Next for the first cut.`; return; }
    const title = document.createElement('strong');
    const name = card.querySelector('h3').textContent.replace(/^\d+\. /, '');
    title.textContent = `Step ${step} of ${last}: ${name}. ${card.querySelector('.way').textContent}`;
    const brief = card.querySelector('.brief').cloneNode(true);
    brief.hidden = false;
    const link = document.createElement('a');
    link.href = `#step-${step}`;
    link.textContent = 'Open the card';
    $('now').append(title, brief, link);
  }
  function go(step) {
    const next = Math.min(Math.max(step, 0), last);
    show(next);
    current = next;
    $('slider').value = next;
    $('slider').setAttribute('aria-valuetext', next ? `step ${next} of ${last}` : 'whole tree');
    $('back').disabled = next === 0;
    $('next').disabled = next === last;
    $('play').disabled = next === 0;
    for (const card of cards) card.classList.toggle('here', Number(card.dataset.step) === next);
    now(next);
  }
  if (last) {
    $('slider').addEventListener('input', (e) => go(Number(e.target.value)));
    $('back').addEventListener('click', () => go(current - 1));
    $('next').addEventListener('click', () => go(current + 1));
    $('play').addEventListener('click', play);
    $('room').addEventListener('click', () => { const on = $('room').getAttribute('aria-pressed') !== 'true'; $('room').setAttribute('aria-pressed', on); for (const room of rooms) room.visible = on; draw(); });
  }
  $('scan').addEventListener('click', () => { points.visible = !points.visible; $('scan').setAttribute('aria-pressed', points.visible); draw(); });
  for (const button of document.querySelectorAll('[data-look]')) button.addEventListener('click', () => presets[button.dataset.look]());
  for (const link of document.querySelectorAll('.card [data-go]')) link.addEventListener('click', () => { go(Number(link.dataset.go)); box.scrollIntoView(); });
  controls.addEventListener('change', draw);
  addEventListener('resize', draw);
  presets.front();
  if (last) go(0);
  box.dataset.ready = '1';
}

function label(THREE, text) {
  const canvas = document.createElement('canvas'), pen = canvas.getContext('2d');
  const font = 'bold 44px system-ui, sans-serif', short = text.length > 22 ? `${text.slice(0, 21)}…` : text;
  pen.font = font;
  canvas.width = Math.ceil(pen.measureText(short).width) + 24;
  canvas.height = 64;
  pen.font = font;
  pen.fillStyle = 'rgba(255,255,255,0.85)';
  pen.fillRect(0, 0, canvas.width, canvas.height);
  pen.fillStyle = '#000';
  pen.textBaseline = 'middle';
  pen.fillText(short, 12, 34);
  const look = new THREE.SpriteMaterial({ map: new THREE.CanvasTexture(canvas), depthTest: false, sizeAttenuation: false });
  const sign = new THREE.Sprite(look);
  sign.center.set(0.5, 0);
  sign.scale.set((0.036 * canvas.width) / canvas.height, 0.036, 1);
  return sign;
}

async function cloud(THREE, tree) {
  const geometry = new THREE.BufferGeometry();
  geometry.setAttribute('position', new THREE.BufferAttribute(new Uint16Array(await raw('points')), 3, true));
  if ($('colours')) geometry.setAttribute('color', new THREE.BufferAttribute(new Uint8Array(await raw('colours')), 3, true));
  const look = { size: 1.6, sizeAttenuation: false };
  const points = new THREE.Points(geometry, new THREE.PointsMaterial($('colours') ? { ...look, vertexColors: true } : { ...look, color: '#4d6b4d' }));
  points.scale.set(...data.extent_m);
  points.position.set(...data.corner_m);
  points.raycast = () => {};
  points.visible = false;
  const turn = new THREE.Group();
  turn.rotation.x = -Math.PI / 2;
  turn.add(points);
  tree.add(turn);
  return points;
}

view3d().catch((error) => { const box = $('view3d'); if (box) box.hidden = true; const none = $('no3d'); if (none) none.hidden = false; console.warn('no 3-D view: ' + error.message); });
