// Reads what `sparkscope batch --tables parquet` and the same with csv and json have
// written with a general-purpose query engine, DuckDB, and holds the three against
// each other:
//
//	npm install --no-save @duckdb/node-api@1.5.6-r.1
//	node query.mjs PARQUET-RESULTS CSV-RESULTS JSON-RESULTS
import { DuckDBInstance } from '@duckdb/node-api'

const [parquet, csv, json] = process.argv.slice(2)
const db = await (await DuckDBInstance.create()).connect()
const rows = async q => (await db.runAndReadAll(q)).getRowObjectsJson()

const ask = (table, folder, ending) => table === 'firings'
	? `select part_kind, counted, count(*)::int as sparks, round(avg(advance_deg), 6) as mean_deg, round(avg(speed_rpm), 3) as speed_rpm,
		round(sum(time_s), 6) as time_s, count(advance_deg)::int as angles from '${folder}/${table}/*.${ending}' group by all order by all`
	: `select part_kind, count(*)::int as bins, sum(firings)::int as firings, round(avg(mean_advance_deg), 6) as mean_deg,
		round(avg(expanded_uncertainty_deg), 6) as u_deg from '${folder}/${table}/*.${ending}' group by all order by all`

let wrong = 0
for (const table of ['firings', 'bins']) {
	const want = await rows(ask(table, parquet, 'parquet'))
	if (want.length < 3) {
		console.error(`${table}: only ${want.length} kinds of rows`)
		wrong++
	}
	console.table(want)
	for (const [folder, ending] of [[csv, 'csv'], [json, 'json']]) {
		const got = await rows(ask(table, folder, ending))
		if (JSON.stringify(got) !== JSON.stringify(want)) {
			console.error(`${table}: ${ending} says`, got)
			wrong++
		}
	}
}
// The question of the README: every recording once, as the last run measured it.
const once = await rows(`select part_kind, count(*)::int as sparks, avg(advance_deg) as mean_deg, stddev(advance_deg) as scatter_deg
	from '${parquet}/firings/*.parquet' where counted and key in (select key from '${parquet}/recordings.csv') group by part_kind order by all`)
console.table(once)
const counted = await rows(`select sum(counted)::int as counted from (select distinct key, counted from '${parquet}/recordings.csv')`)
if (once.reduce((n, r) => n + r.sparks, 0) !== counted[0].counted) {
	console.error('firings of the recordings:', once, 'recordings.csv says', counted)
	wrong++
}
const over = await rows(`select count(*)::int as n, sum(counted)::int as counted, round(avg(mean_advance_deg), 6) as mean_deg from '${parquet}/recordings.csv'`)
const same = await rows(`select count(*)::int as n, sum(counted)::int as counted, round(avg(mean_advance_deg), 6) as mean_deg from '${parquet}/recordings.json'`)
console.table(over)
if (JSON.stringify(over) !== JSON.stringify(same) || !(over[0].n > 0)) {
	console.error('recordings.json says', same)
	wrong++
}
process.exit(wrong ? 1 : 0)
