// fhir-kit-client, unmodified: a whole visit. Reads {base, mark, transaction, sessions} as JSON
// from standard input and ends with status 0 when everything was as it should be.

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { Client } from "fhir-kit-client";

const { base, mark, children, transaction, sessions } = JSON.parse(readFileSync(0, "utf8"));
const client = new Client({ baseUrl: base });
const statusOf = (answer) => Client.httpFor(answer).response.status;
const idsOf = (bundle) => (bundle.entry ?? []).map((entry) => entry.resource.id);
const typesOf = (bundle) => new Set((bundle.entry ?? []).map((entry) => entry.resource.resourceType));
const refused = (status, promise) =>
  assert.rejects(promise, (error) => {
    assert.equal(error.response.status, status, error.message);
    assert.equal(error.response.data.resourceType, "OperationOutcome");
    return true;
  });

const statement = await client.capabilityStatement();
assert.equal(statement.fhirVersion, "4.0.1");

// create a programme
const created = await client.transaction({ body: transaction });
assert.deepEqual(created.entry.map((entry) => entry.response.status.slice(0, 3)), Array(6).fill("201"));
const idOf = (type) =>
  created.entry
    .map((entry) => entry.response.location.match(new RegExp(`${type}/([^/]+)`)))
    .find((match) => match !== null)[1];
const plan = { resourceType: "CarePlan", id: idOf("CarePlan") };
const patient = idOf("Patient");

// search it: chains, includes, a compartment, by form
const chained = { "subject:Patient.identifier": `${children}|PEBBLE-${mark}` };
assert.deepEqual(idsOf(await client.search({ resourceType: "CarePlan", searchParams: chained })), [plan.id]);
const whole = await client.search({
  resourceType: "CarePlan",
  searchParams: { _id: plan.id, _include: ["CarePlan:subject", "CarePlan:activity-reference"] },
});
assert.deepEqual(typesOf(whole), new Set(["CarePlan", "Patient", "ServiceRequest"]));
const compartment = { resourceType: "Patient", id: patient };
for (const postSearch of [false, true]) {
  const options = { postSearch };
  const own = await client.search({ resourceType: "CarePlan", compartment, searchParams: { status: "active" }, options });
  assert.deepEqual(idsOf(own), [plan.id]);
  const posted = await client.search({ resourceType: "CarePlan", searchParams: chained, options });
  assert.deepEqual(idsOf(posted), [plan.id]);
}
const has = { "_has:CarePlan:subject:status": "active", name: `Invented${mark}` };
assert.deepEqual(idsOf(await client.search({ resourceType: "Patient", searchParams: has })), [patient]);
const read = await client.read(plan);
const resolved = await client.resolve({ reference: read.subject.reference, context: read });
assert.equal(resolved.id, patient);

// page through 500 Observations
const text = JSON.stringify(sessions).replaceAll("Patient/to-be-named", `Patient/${patient}`);
await client.batch({ body: JSON.parse(text) });
const seen = [];
let page = await client.search({
  resourceType: "Observation",
  searchParams: { subject: `Patient/${patient}`, _count: 90, _sort: "date" },
});
while (page) {
  seen.push(...page.entry.map((entry) => entry.resource.identifier[0].value));
  page = await client.nextPage({ bundle: page });
}
assert.deepEqual(seen, sessions.entry.map((entry) => entry.resource.identifier[0].value));

// update, with a stale version; patch; history
const renamed = { ...read, title: "First title" };
const etag = Client.httpFor(read).response.headers.get("etag");
const options = { headers: { "If-Match": etag } };
const updated = await client.update({ ...plan, body: renamed, options });
assert.equal(updated.meta.versionId, "2");
await refused(412, client.update({ ...plan, body: renamed, options }));
const jsonPatch = [{ op: "replace", path: "/title", value: "Second title" }];
await refused(412, client.patch({ ...plan, jsonPatch, options }));
assert.equal((await client.patch({ ...plan, jsonPatch })).title, "Second title");
await refused(422, client.patch({ ...plan, jsonPatch: [{ op: "remove", path: "/period" }] }));
const history = await client.history(plan);
assert.deepEqual(history.entry.map((entry) => entry.resource.title), ["Second title", "First title", undefined]);
assert.equal((await client.vread({ ...plan, version: "2" })).title, "First title");
assert.ok((await client.history({ resourceType: "CarePlan" })).entry.length >= 3);
assert.ok((await client.history()).entry.length >= 3);

// conditional create, conditional update, operation, delete
const body = { resourceType: "Patient", identifier: [{ system: children, value: `twice-${mark}` }] };
const once = { headers: { "If-None-Exist": `identifier=${children}|twice-${mark}` } };
const first = await client.create({ resourceType: "Patient", body, options: once });
const second = await client.create({ resourceType: "Patient", body, options: once });
assert.deepEqual([statusOf(first), statusOf(second), second.id], [201, 200, first.id]);
const searchParams = { identifier: `${children}|twice-${mark}` };
const changed = await client.update({ resourceType: "Patient", searchParams, body: { ...body, gender: "other" } });
assert.deepEqual([changed.id, changed.gender], [first.id, "other"]);
const judged = await client.operation({ name: "validate", resourceType: "Patient", input: body });
assert.equal(judged.resourceType, "OperationOutcome");
const everything = await client.operation({ name: "everything", resourceType: "Patient", id: patient, method: "GET" });
assert.ok(typesOf(everything).has("CarePlan"));
assert.equal(statusOf(await client.delete(plan)), 204);
await refused(410, client.read(plan));
await refused(404, client.read({ resourceType: "CarePlan", id: "never-was" }));
