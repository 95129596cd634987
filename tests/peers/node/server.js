// The public list and one listing as a hand-written service would answer them: fastify and pg, pooled, prepared, one process per
// core. PORT, and PGHOST, PGUSER, PGDATABASE of PostgreSQL.
import cluster from 'node:cluster';
import { availableParallelism } from 'node:os';
import fastify from 'fastify';
import pg from 'pg';

const CARD = `stock_no, title, page_name, on_show_since::text, price_on_request, kind, name, prototype, design, designer, builder,
  builder_standing, built_year, gauge, gauge_mm, scale, whyte, fuel, included_items, working_order, price, photographs->0 AS photograph`;
const SORTS = {
  stock_no: 'stock_no',
  asking_price: 'price, stock_no',
  '-asking_price': 'price DESC NULLS LAST, stock_no',
  '-on_show_since': 'on_show_since DESC, stock_no',
};
const FILTERS = {
  gauge_mm: ['gauge_mm =', 'numeric'],
  whyte: ['whyte =', 'text'],
  asking_price_from: ['price >=', 'numeric'],
  asking_price_to: ['price <=', 'numeric'],
};

function serve() {
  const pool = new pg.Pool({ max: 8 });
  const app = fastify({ logger: false });

  app.get('/listings', async (request, reply) => {
    const { sort = 'stock_no', limit = '24', ...filters } = request.query;
    if (!Object.hasOwn(SORTS, sort)) return reply.code(400).send({ title: 'no such sort' });
    const wanted = [];
    const values = [];
    for (const [name, value] of Object.entries(filters)) {
      if (!Object.hasOwn(FILTERS, name)) return reply.code(400).send({ title: `no filter ${name}` });
      const [is, type] = FILTERS[name];
      values.push(value);
      wanted.push(`${is} $${values.length}::${type}`);
    }
    const most = Math.min(Number(limit) || 24, 100);
    const text = `SELECT ${CARD} FROM peer_listings ${wanted.length ? 'WHERE ' + wanted.join(' AND ') : ''}
      ORDER BY ${SORTS[sort]} LIMIT ${most}`;
    // One prepared statement per set of filters and order.
    const { rows } = await pool.query({ name: `${Object.keys(filters)} ${sort} ${most}`, text, values });
    return { items: rows };
  });

  app.get('/listings/:stock_no', async (request, reply) => {
    const { rows } = await pool.query({
      name: 'one',
      text: `SELECT ${CARD}, words, grades, photographs FROM peer_listings WHERE stock_no = $1`,
      values: [request.params.stock_no],
    });
    return rows.length ? rows[0] : reply.code(404).send({ title: 'not on show' });
  });

  app.listen({ port: Number(process.env.PORT), host: '127.0.0.1' });
}

if (cluster.isPrimary) for (let n = 0; n < availableParallelism(); n++) cluster.fork();
else serve();
