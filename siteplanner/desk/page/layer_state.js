/* One layer of what is drawn: its features, what was undone, and what is saved. */

import { get, put } from "/page/server.js";

const format = new ol.format.GeoJSON();
let lastUid = 0;

export class LayerState {
  constructor(drawn, told) {
    this.drawn = drawn;
    this.told = told;
    this.source = new ol.source.Vector();
    this.version = "";
    this.past = [];
    this.future = [];
    this.errors = [];
    this.sentences = [];
    this.notes = [];
    this.status = "loading";
    this.saving = null;
    this.again = false;
  }

  async load() {
    try {
      this.take(await get(`/api/drawn/${this.drawn.id}`));
      this.past = [];
      this.future = [];
      this.status = "saved";
      this.sentences = [];
      this.errors = [];
    } catch (refused) {
      this.status = "unread";
      this.sentences = refused.sentences;
    }
    this.told(this);
  }

  take(answer) {
    this.drawn = answer.drawn;
    this.version = answer.version;
    this.notes = answer.notes || [];
    this.put(answer.features.map((one) => ({ ...one, uid: ++lastUid })));
  }

  /* Features in the order in which they are sent and saved. */
  get features() {
    return this.source.getFeatures().sort((a, b) => a.get("uid") - b.get("uid"));
  }

  snapshot() {
    return this.features.map((one) => ({
      id: one.get("fid") ?? null,
      uid: one.get("uid"),
      geometry: format.writeGeometryObject(one.getGeometry()),
      properties: { ...one.get("values") },
    }));
  }

  put(plain) {
    const made = plain.map((one) => this.feature(one));
    this.source.clear(true);
    this.source.addFeatures(made);
  }

  feature({ id, uid, geometry, properties }) {
    const made = new ol.Feature(format.readGeometry(geometry));
    made.setProperties({ fid: id, uid: uid ?? ++lastUid, values: properties }, true);
    return made;
  }

  add(geometry, values) {
    const made = new ol.Feature(geometry);
    made.setProperties({ fid: null, uid: ++lastUid, values }, true);
    this.source.addFeature(made);
    return made;
  }

  /* A gesture is over: ``before`` is how it was. */
  changed(before) {
    this.past.push(before);
    this.future = [];
    return this.save();
  }

  back() { return this.swap(this.past, this.future); }
  forth() { return this.swap(this.future, this.past); }

  swap(from, to) {
    if (!from.length) return this.saving;
    to.push(this.snapshot());
    const ids = new Map(this.features.map((one) => [one.get("uid"), one.get("fid")]));
    this.put(from.pop().map((one) => ({ ...one, id: ids.get(one.uid) ?? null })));
    return this.save();
  }

  get dirty() { return this.status !== "saved" && this.status !== "loading" && this.status !== "unread"; }

  save() {
    this.status = "saving";
    this.told(this);
    if (this.saving) {
      this.again = true;
      return this.saving;
    }
    this.saving = this.saveAll().finally(() => { this.saving = null; });
    return this.saving;
  }

  async saveAll() {
    do {
      this.again = false;
      const sent = this.features;
      const features = this.snapshot().map(({ id, geometry, properties }) => ({ id, geometry, properties }));
      try {
        const answer = await put(`/api/drawn/${this.drawn.id}`, { version: this.version, features });
        this.saved(sent, answer);
      } catch (refused) {
        this.status = refused.status === 409 ? "stale" : "refused";
        this.sentences = refused.sentences || [String(refused)];
        this.errors = (refused.errors || []).map((one) => ({ ...one, uid: sent[one.feature]?.get("uid") }));
      }
    } while (this.again);
    this.told(this);
    if (this.status === "saved") window.dispatchEvent(new Event("saved"));
  }

  saved(sent, answer) {
    this.drawn = answer.drawn;
    this.version = answer.version;
    this.notes = answer.notes || [];
    this.status = "saved";
    this.justSaved = true;
    this.followed = answer.followed;
    this.sentences = [];
    this.errors = [];
    answer.features.forEach((one, n) => {
      sent[n].set("fid", one.id, true);
      if (this.again) return; // drawn on meanwhile: what is on the page is newer
      sent[n].set("values", one.properties, true);
      const now = format.writeGeometryObject(sent[n].getGeometry());
      if (JSON.stringify(now) !== JSON.stringify(one.geometry)) sent[n].setGeometry(format.readGeometry(one.geometry));
    });
  }
}
