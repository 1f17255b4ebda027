// The map: rasters and layers in the run's own coordinate system, linked to the tables.
import Map from 'ol/Map.js';
import View from 'ol/View.js';
import Projection from 'ol/proj/Projection.js';
import ImageLayer from 'ol/layer/Image.js';
import VectorLayer from 'ol/layer/Vector.js';
import VectorSource from 'ol/source/Vector.js';
import GeoJSON from 'ol/format/GeoJSON.js';
import ScaleLine from 'ol/control/ScaleLine.js';
import {defaults as controls} from 'ol/control/defaults.js';
import {Circle, Fill, Stroke, Style, Text} from 'ol/style.js';
import {byId, element, keyed} from './elements.js';
import {decode, legendOf, valueOf} from './rasters.js';
import 'ol/ol.css';

const data = JSON.parse(byId('data').textContent);
const projection = new Projection({code: data.crs, units: 'm', extent: data.extent});

const rasterLayer = new ImageLayer({opacity: 0.85});
let shown = null;

async function showRaster() {
  const [name, band] = byId('raster').value.split('|');
  const raster = data.rasters.find((r) => r.name === name);
  rasterLayer.setVisible(Boolean(raster));
  shown = raster ? {raster, ...(await decode(raster, Number(band), projection))} : null;
  if (shown) rasterLayer.setSource(shown.source);
  legendOf(raster);
}

// ---- before and after: a second raster on the right of a line that the reader moves

const compareLayer = new ImageLayer({opacity: 0.85, visible: false});
compareLayer.on('prerender', ({context}) => {
  const left = context.canvas.width * Number(byId('swipe').value);
  context.save();
  context.beginPath();
  context.rect(left, 0, context.canvas.width - left, context.canvas.height);
  context.clip();
});
compareLayer.on('postrender', ({context}) => context.restore());

async function showCompared() {
  const [name, band] = byId('compare').value.split('|');
  const raster = data.rasters.find((r) => r.name === name);
  compareLayer.setVisible(Boolean(raster));
  byId('swipe-line').hidden = !raster;
  if (raster) compareLayer.setSource((await decode(raster, Number(band), projection)).source);
  moveSwipe();
}

function moveSwipe() {
  byId('swipe-line').style.left = `${100 * Number(byId('swipe').value)}%`;
  compareLayer.changed();
}

// ---- layers: the same rules as in the style files

const TESTS = {
  '=': (a, b) => a === b, '<': (a, b) => a < b, '<=': (a, b) => a <= b,
  '>': (a, b) => a > b, '>=': (a, b) => a >= b,
};

function meets(feature, [column, operator, value, other]) {
  const found = feature.get(column);
  const missing = found === null || found === undefined;
  if (operator === 'empty') return missing;
  const right = other ? feature.get(other) : value;
  return !missing && right !== null && right !== undefined && TESTS[operator](found, right);
}

const meetsAll = (feature, conditions) => conditions.every((c) => meets(feature, c));

function styleOf(layer) {
  const made = layer.rules.map(({colour}) => {
    const fill = new Fill({color: `${colour}${layer.hatched ? '33' : 'aa'}`});
    const outline = layer.shape === 'line' ? {color: colour, width: 3} : {color: '#22222288', width: 0.7};
    const stroke = new Stroke(layer.hatched ? {color: colour, width: 1, lineDash: [3, 3]} : outline);
    return new Style({
      fill, stroke: layer.shape === 'polygon' && !layer.outlined ? undefined : stroke,
      image: new Circle({radius: 5, fill, stroke}),
    });
  });
  const label = new Text({
    font: '12px system-ui, sans-serif', overflow: true, fill: new Fill({color: '#222'}),
    stroke: new Stroke({color: '#fff', width: 3}),
  });
  return (feature) => {
    const wanted = layer.cases.length ? layer.cases[layer.shown] : null;
    if (wanted && !meetsAll(feature, wanted.conditions)) return null;
    const i = layer.rules.findIndex((rule) => meetsAll(feature, rule.conditions));
    if (i < 0) return null;
    const style = feature === chosen ? CHOSEN : made[i];
    if (!layer.label) return style;
    label.setText(String(feature.get(layer.label) ?? ''));
    style.setText(label);
    return layer.shape === 'line' ? [CASING, style] : style;
  };
}

const CASING = new Style({stroke: new Stroke({color: '#fff', width: 7})});
const CHOSEN = new Style({
  fill: new Fill({color: '#b5561f66'}), stroke: new Stroke({color: '#b5561f', width: 5}),
  image: new Circle({radius: 7, fill: new Fill({color: '#b5561f'})}),
});
let chosen = null;

async function unpacked(text) {
  const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream('gzip'));
  return new Response(stream).json();
}

async function vectorLayerOf(layer) {
  const features = new GeoJSON().readFeatures(await unpacked(layer.features));
  layer.shown = 0;
  const made = new VectorLayer({
    source: new VectorSource({features}), declutter: true, visible: layer.visible, style: styleOf(layer),
  });
  made.set('described', layer);
  return made;
}

const vectorLayers = await Promise.all(data.layers.map(vectorLayerOf));

// ---- the map

const view = new View({projection, extent: data.extent, showFullExtent: true, constrainOnlyCenter: true});
const map = new Map({
  target: 'map', layers: [rasterLayer, compareLayer, ...vectorLayers], view,
  controls: controls({attribution: false}).extend([new ScaleLine()]),
});
view.fit(data.focus, {padding: [30, 30, 30, 30]});

function choose(feature, layer, move) {
  chosen = feature;
  vectorLayers.forEach((one) => one.changed());
  byId('chosen').replaceChildren();
  if (!feature) return;
  const list = element('dl');
  for (const {name, title} of layer.get('described').columns) {
    const value = feature.get(name);
    if (value !== null && value !== undefined && value !== '') {
      list.append(element('dt', title), element('dd', String(value)));
    }
  }
  byId('chosen').append(element('h3', layer.get('described').title), list);
  if (move) {
    view.fit(feature.getGeometry(), {maxZoom: 30, padding: [90, 90, 90, 90], minResolution: 1});
    byId('map').scrollIntoView({block: 'nearest'});
  }
}

function valueAt([x, y]) {
  if (!shown) return 'no raster is shown';
  const [west, south, east, north] = shown.raster.extent;
  const col = Math.floor(((x - west) / (east - west)) * shown.width);
  const row = Math.floor(((north - y) / (north - south)) * shown.height);
  const inside = col >= 0 && row >= 0 && col < shown.width && row < shown.height;
  const code = inside ? shown.codes[row * shown.width + col] : 0;
  if (!code) return 'no value';
  if (shown.raster.classes) return shown.raster.classes[code - 1].title;
  return `${valueOf(shown.raster, code).toFixed(shown.raster.decimals)} ${shown.raster.unit}`;
}

map.on('pointermove', (event) => { byId('value').textContent = valueAt(event.coordinate); });
map.on('click', (event) => {
  byId('value').textContent = valueAt(event.coordinate);
  let hit = null;
  map.forEachFeatureAtPixel(event.pixel, (feature, layer) => { hit ??= [feature, layer]; }, {hitTolerance: 4});
  choose(...(hit ?? [null, null]), false);
});

// ---- controls

function layerControls() {
  // The uppermost layer of the map is the first of the list.
  for (const layer of vectorLayers.toReversed()) {
    const {heading, rules} = layer.get('described');
    const label = element('label', ` ${heading}`);
    const box = Object.assign(document.createElement('input'), {type: 'checkbox', checked: layer.getVisible()});
    const keys = element('div');
    if (rules.length > 1) keys.append(...rules.map((rule) => keyed(rule.title, rule.colour)));
    box.addEventListener('change', () => layer.setVisible(box.checked));
    const follow = () => { box.checked = layer.getVisible(); keys.hidden = !box.checked; };
    layer.on('change:visible', follow);
    follow();
    label.prepend(box);
    byId('layers').append(label, keys);
  }
}

function showCase() {
  const wanted = byId('case').value;
  for (const [i, layer] of data.layers.entries()) {
    const at = layer.cases.findIndex((one) => one.title === wanted);
    if (at >= 0) layer.shown = at;
    vectorLayers[i].changed();
  }
  const raster = byId('raster');
  const [name] = raster.value.split('|');
  const fitting = [...raster.options].find((o) => o.value.startsWith(`${name}|`) && o.dataset.band === wanted);
  if (fitting) raster.value = fitting.value;
  return showRaster();
}

byId('raster').addEventListener('change', showRaster);
byId('case')?.addEventListener('change', showCase);
byId('compare').addEventListener('change', showCompared);
byId('swipe').addEventListener('input', moveSwipe);
byId('opacity').addEventListener('input', (event) => {
  for (const layer of [rasterLayer, compareLayer]) layer.setOpacity(Number(event.target.value));
});
layerControls();

document.addEventListener('click', (event) => {
  const button = event.target.closest('button[data-layer]');
  if (!button) return;
  const layer = vectorLayers.find((one) => one.get('described').name === button.dataset.layer);
  const feature = layer.getSource().getFeatureById(Number(button.dataset.id));
  layer.setVisible(true);
  choose(feature, layer, true);
});

// A printed page has another width, which the browser uses only after it has asked for the layout. It
// may ask more than once.
let onScreen = null;
export function relayout(printed) {
  const extent = onScreen ?? view.calculateExtent();
  onScreen = printed ? extent : null;
  map.getTargetElement().classList.toggle('printed', printed);
  map.updateSize();
  view.fit(extent);
  map.renderSync();
}

await showRaster();
