/* TCP: connections, what is new in each segment, and the ordered stream of Modbus connections.
 *
 * A segment behind a hole is held until the hole is filled, or until the other side acknowledges what lies
 * behind it: then the capture missed the bytes, not the network, and the stream goes on after the hole. Copies
 * of a frame (mirror ports, both sides of a router: same IP identification, header and checksum within 100 ms)
 * are counted and left alone: they are no retransmissions and no second request.
 */
#ifndef TCP_H
#define TCP_H
#include "modbus.h"

typedef struct {
  u32 from, to;
} Hole;

typedef struct {
  u32 next;  /* number of the byte that the ordered stream waits for */
  u32 top;   /* end of what was seen */
  u32 start; /* number of the SYN */
  u32 end;   /* number of the FIN */
  u32 part_place, held; /* begin of an incomplete unit; first held segment + 1 */
  u32 last_ack, last_window;
  u16 filled, holes, held_count, spare;
  u8 started, has_start, has_end, acknowledges;
  Hole hole[HOLES];
  u8 part[PDU_MAX + 6];
} Side;

typedef struct {
  u8 a[16], b[16];
  u16 port_a, port_b;
  u32 chain;
  u8 used, modbus, server, closed; /* server: 0 a, 1 b */
  u32 kind; /* row of the protocol */
  u32 host[2], host_order; /* rows of the senders + 1, while the order of hosts is this one */
  i64 last;
  Talk talk;
  Side side[2];
} Connection;

typedef struct {
  u32 next; /* index + 1 */
  u32 seq, length, got, ack, frame;
  i64 ts;
  u8 data[HELD_BYTES];
} Segment;

static Connection connections[CONNECTIONS];
static u32 connection_heads[CONNECTIONS * 2];
static u32 connection_at, serial_at;
static Segment held[HELD];
static u32 held_free; /* index + 1 */
static u8 modbus_ports[65536 / 8];

static struct {
  u64 name;
  i64 ts;
} copies[COPIES];

INLINE int is_modbus_port(u16 port) { return modbus_ports[port >> 3] >> (port & 7) & 1; }

/* -- the ordered stream ------------------------------------------------------------------------------- */

INLINE void unit_of_data(Connection *c, u32 side, const u8 *adu, u32 n, u32 begin, u32 end, u32 ack, i64 ts) {
  const u8 *server = c->server ? c->b : c->a, *client = c->server ? c->a : c->b;
  u16 port = c->server ? c->port_b : c->port_a;
  if (side == c->server) response(&c->talk, server, port, adu, n, begin, ack, ts);
  else request(&c->talk, client, server, port, adu, n, end, ack, ts);
}

/* Length of the unit whose first six bytes these are, 0 if it cannot be Modbus. */
INLINE u32 unit_length(const u8 *p) {
  u32 length = be16(p + 4);
  if (UNLIKELY(p[2] | p[3])) {
    T[BAD_PROTOCOL]++;
    return 0;
  }
  if (UNLIKELY(length < 2 || length > 254)) {
    T[BAD_LENGTH]++;
    return 0;
  }
  return length + 6;
}

NOINLINE void not_modbus(u32 bytes) {
  T[NOT_MODBUS]++;
  T[NOT_MODBUS_BYTES] += bytes;
}

/* Bytes of the stream in order; n: those that the capture holds. */
static void in_order(Connection *c, u32 s, const u8 *p, u32 n, u32 seq, u32 ack, i64 ts) {
  Side *x = &c->side[s];
  u32 at = 0, many = 0;
  while (at < n) {
    if (LIKELY(x->filled == 0 && n - at >= 8)) {
      u32 length = unit_length(p + at);
      if (!length) {
        not_modbus(n - at);
        break;
      }
      if (LIKELY(length <= n - at)) {
        unit_of_data(c, s, p + at, length, seq + at, seq + at + length, ack, ts);
        at += length;
        many++;
        continue;
      }
    }
    if (x->filled == 0) x->part_place = seq + at;
    u32 length = x->filled < 6 ? 6 : unit_length(x->part);
    while (x->filled < length && at < n) x->part[x->filled++] = p[at++];
    if (x->filled < length) break;
    if (length == 6) {
      if (!unit_length(x->part)) {
        x->filled = 0;
        not_modbus(n - at + 6);
        break;
      }
      continue;
    }
    unit_of_data(c, s, x->part, length, x->part_place, seq + at, ack, ts);
    if ((i32)(x->part_place - seq) < 0) T[SPLIT]++;
    x->filled = 0;
    many++;
  }
  if (UNLIKELY(many > 1)) T[SEVERAL_IN_SEGMENT]++;
  if (many > T[MOST_IN_SEGMENT]) T[MOST_IN_SEGMENT] = many;
}

INLINE void deliver(Connection *c, u32 s, const u8 *p, u32 got, u32 length, u32 seq, u32 ack, i64 ts) {
  Side *x = &c->side[s];
  u32 skip = x->next - seq;
  if (skip < got) in_order(c, s, p + skip, got - skip, x->next, ack, ts);
  x->next = seq + length;
  if (UNLIKELY(got < length)) { /* the capture cut the frame: what follows begins anew */
    x->filled = 0;
    if (s == c->server) c->talk.hole = x->next;
  }
}

/* -- segments that wait ------------------------------------------------------------------------------- */

static void free_held(Side *x) {
  while (x->held) {
    u32 i = x->held - 1;
    x->held = held[i].next;
    held[i].next = held_free;
    held_free = i + 1;
  }
  x->held_count = 0;
}

/* Go on with held segments that are due; over: go on after a hole, too, while its end is before ``limit``. */
NOINLINE void go_on(Connection *c, u32 s, int over, u32 limit) {
  Side *x = &c->side[s];
  while (x->held) {
    Segment *h = &held[x->held - 1];
    i32 ahead = (i32)(h->seq - x->next);
    if (ahead > 0) {
      if (!over || (i32)(h->seq - limit) >= 0) break;
      T[HOLES_SKIPPED]++;
      T[MB_HOLES]++;
      x->next = h->seq;
      x->filled = 0;
      if (s == c->server) c->talk.hole = h->seq;
    }
    u32 i = x->held - 1;
    x->held = h->next;
    x->held_count--;
    frame_held = h->frame;
    if ((i32)(h->seq + h->length - x->next) > 0) deliver(c, s, h->data, h->got, h->length, h->seq, h->ack, h->ts);
    h->next = held_free;
    held_free = i + 1;
  }
  frame_held = 0;
}

INLINE void go_on_after_all(Connection *c, u32 s) {
  if (c->side[s].held) go_on(c, s, 1, c->side[s].top + 1);
}

NOINLINE void hold(Connection *c, u32 s, const u8 *p, u32 got, u32 length, u32 seq, u32 ack, i64 ts) {
  Side *x = &c->side[s];
  if (x->held_count >= 32 || !held_free || length > HELD_BYTES) {
    T[HELD_OVER]++;
    go_on_after_all(c, s);
    if ((i32)(seq - x->next) > 0) {
      T[HOLES_SKIPPED]++;
      T[MB_HOLES]++;
      x->next = seq;
      x->filled = 0;
      if (s == c->server) c->talk.hole = seq;
    }
    if ((i32)(seq + length - x->next) > 0) deliver(c, s, p, got, length, seq, ack, ts);
    return;
  }
  u32 *at = &x->held;
  while (*at && (i32)(held[*at - 1].seq - seq) <= 0) at = &held[*at - 1].next;
  u32 i = held_free - 1;
  held_free = held[i].next;
  held[i].next = *at;
  held[i].seq = seq;
  held[i].length = length;
  held[i].got = got;
  held[i].ack = ack;
  held[i].frame = FRAME_NOW;
  held[i].ts = ts;
  copy(held[i].data, p, got);
  *at = i + 1;
  x->held_count++;
}

/* -- what is new in a segment ------------------------------------------------------------------------- */

INLINE void add_hole(Side *x, u32 from, u32 to) {
  if (x->holes == HOLES) {
    for (u32 i = 1; i < HOLES; i++) x->hole[i - 1] = x->hole[i];
    x->holes--;
  }
  x->hole[x->holes++] = (Hole){from, to};
}

/* Bytes of the segment that lie in holes; the holes shrink by them. */
static u32 fill_holes(Side *x, u32 from, u32 to) {
  u32 filled = 0;
  for (u32 i = 0; i < x->holes; i++) {
    Hole h = x->hole[i];
    u32 low = (i32)(from - h.from) > 0 ? from : h.from, high = (i32)(to - h.to) < 0 ? to : h.to;
    if ((i32)(high - low) <= 0) continue;
    filled += high - low;
    if (low == h.from) x->hole[i].from = high;
    else {
      x->hole[i].to = low;
      if (high != h.to) add_hole(x, high, h.to);
    }
  }
  return filled;
}

enum { NEW, AGAIN, PARTLY, LATE_FILL };

static u32 newness(Connection *c, Side *x, u32 seq, u32 length) {
  i32 ahead = (i32)(seq - x->top);
  if (LIKELY(ahead == 0)) {
    x->top = seq + length;
    return NEW;
  }
  if (ahead > 0) {
    T[AHEAD]++;
    add_hole(x, x->top, seq);
    x->top = seq + length;
    return NEW;
  }
  u32 end = seq + length, old = (i32)(end - x->top) > 0 ? x->top - seq : length;
  u32 filled = fill_holes(x, seq, seq + old), fresh = filled + (length - old);
  if ((i32)(end - x->top) > 0) x->top = end;
  if (fresh == 0) {
    T[RETRANSMITTED]++;
    if (c->modbus) T[MB_RETRANSMITTED]++;
    return AGAIN;
  }
  if (fresh == length) {
    T[LATE]++;
    if (c->modbus) T[MB_LATE]++;
    return LATE_FILL;
  }
  T[PARTLY_NEW]++;
  if (c->modbus) T[MB_PARTLY_NEW]++;
  return PARTLY;
}

/* -- connections -------------------------------------------------------------------------------------- */

static void begin_talk(Connection *c) {
  for (u32 s = 0; s < 2; s++) {
    go_on_after_all(c, s);
    free_held(&c->side[s]);
    Side *x = &c->side[s];
    x->started = x->has_start = x->has_end = x->acknowledges = 0;
    x->filled = x->holes = 0;
    x->last_window = 0;
  }
  c->talk = (Talk){.serial = ++serial_at};
  c->closed = 0;
  T[OPENED]++;
}

/* The same for both directions. */
INLINE u32 connection_slot(u64 a, u64 b, u32 from, u32 to) {
  u64 h = ((a ^ b) + ((u64)(from ^ to) << 17) + from + to) * 0x9E3779B97F4A7C15ull;
  return (u32)(h >> 40) & (CONNECTIONS * 2 - 1);
}

static void forget(Connection *c) {
  u32 i = (u32)(c - connections) + 1;
  u32 slot = connection_slot(raw64(c->a + 8), raw64(c->b + 8), c->port_a, c->port_b);
  for (u32 *at = &connection_heads[slot]; *at; at = &connections[*at - 1].chain)
    if (*at == i) {
      *at = c->chain;
      break;
    }
  for (u32 s = 0; s < 2; s++) {
    go_on_after_all(c, s);
    free_held(&c->side[s]);
  }
  c->used = 0;
}

/* A place for a new connection: the next in the ring that is closed or idle for a minute, else the next. */
NOINLINE Connection *place_for(i64 ts) {
  for (u32 tries = 0; tries < 32; tries++) {
    Connection *c = &connections[(connection_at + tries) & (CONNECTIONS - 1)];
    if (c->used && !c->closed && ts - c->last < 60000000000) continue;
    connection_at += tries;
    break;
  }
  Connection *c = &connections[connection_at++ & (CONNECTIONS - 1)];
  if (c->used) {
    if (!c->closed) T[EVICTED]++;
    forget(c);
  }
  return c;
}

NOINLINE Connection *new_connection(const u8 *a, const u8 *b, u16 pa, u16 pb, u32 slot, i64 ts, int from_b) {
  Connection *c = place_for(ts);
  copy(c->a, a, 16);
  copy(c->b, b, 16);
  c->port_a = pa;
  c->port_b = pb;
  c->used = 1;
  c->last = ts;
  c->chain = connection_heads[slot];
  connection_heads[slot] = (u32)(c - connections) + 1;
  int at_a = is_modbus_port(pa), at_b = is_modbus_port(pb);
  c->modbus = (u8)(at_a || at_b);
  c->server = at_a && at_b ? (u8)!from_b : (u8)at_b;
  c->kind = kind_of(4, c->modbus ? (at_b ? pb : pa) : pa < pb ? pa : pb);
  c->host[0] = c->host[1] = 0;
  begin_talk(c);
  return c;
}

/* The connection of this segment; side: who sent it. */
INLINE Connection *connection_of(const Frame *f, u16 from, u16 to, u32 *side) {
  u64 s0 = f->source[1], t0 = f->target[1];
  int b = s0 > t0;
  if (UNLIKELY(s0 == t0)) b = f->source[0] == f->target[0] ? from > to : f->source[0] > f->target[0];
  const u64 *pa = b ? f->target : f->source, *pb = b ? f->source : f->target;
  u64 a0 = b ? t0 : s0, b0 = b ? s0 : t0;
  u16 ta = b ? to : from, tb = b ? from : to;
  *side = (u32)b;
  u32 slot = connection_slot(s0, t0, from, to);
  for (u32 i = connection_heads[slot]; i; i = connections[i - 1].chain) {
    Connection *c = &connections[i - 1];
    if (c->port_a == ta && c->port_b == tb && raw64(c->a + 8) == a0 && raw64(c->b + 8) == b0 &&
        raw64(c->a) == pa[0] && raw64(c->b) == pb[0])
      return c;
  }
  return new_connection((const u8 *)pa, (const u8 *)pb, ta, tb, slot, f->ts, b);
}

/* -- one segment -------------------------------------------------------------------------------------- */

enum { F_FIN = 1, F_SYN = 2, F_RST = 4, F_ACK = 16 };

NOINLINE void opening(Connection *c, u32 s, u32 seq, u32 flags) {
  Side *x = &c->side[s];
  if (x->has_start && x->start == seq) {
    T[SYN_AGAIN]++;
    return;
  }
  if (!(flags & F_ACK) && (x->has_start || x->started || c->side[!s].started)) {
    begin_talk(c);
    if (c->modbus && is_modbus_port(c->port_a) && is_modbus_port(c->port_b)) c->server = (u8)!s;
  }
  if (!(flags & F_ACK) && !c->modbus) c->kind = kind_of(4, s ? c->port_a : c->port_b); /* who is called names it */
  x->start = seq;
  x->has_start = x->started = 1;
  x->next = x->top = seq + 1;
  x->filled = x->holes = 0;
  free_held(x);
}

NOINLINE void closing(Connection *c, u32 s, u32 end, u32 flags) {
  Side *x = &c->side[s];
  if (flags & F_RST) {
    T[RST]++;
    if (c->side[!s].has_start && !c->side[!s].acknowledges && !x->started) T[REFUSED]++;
    for (u32 i = 0; i < 2; i++) go_on_after_all(c, i);
    c->closed = 1;
    return;
  }
  T[FIN]++;
  if (x->has_end && x->end == end) T[FIN_AGAIN]++;
  x->has_end = 1;
  x->end = end;
  if (c->side[!s].has_end) c->closed = 1;
}

/* A segment without data, SYN, FIN or RST. */
INLINE void bare(Side *x, u32 seq, u32 ack, u32 window, int other_waits) {
  if (x->started && seq == x->top - 1) T[KEEP_ALIVE]++;
  else if (x->acknowledges && ack == x->last_ack && window == x->last_window && other_waits) T[SAME_ACK]++;
  x->last_ack = ack;
  x->last_window = window;
}

/* who: the connection's number and the side that sends. The products do not wait for each other. */
INLINE int is_copy(const Frame *f, const u8 *t, u32 who, u32 ident, u32 length) {
  u64 name = raw64(t + 4) * 0x9E3779B97F4A7C15ull + (raw64(t + 12) ^ who) * 0xC2B2AE3D27D4EB4Full +
             ((u64)ident << 48 ^ (u64)length << 32 ^ raw32(t)) * 0x165667B19E3779F9ull;
  name = (name ^ name >> 29) * 0xBF58476D1CE4E5B9ull | 1;
  u32 at = (u32)(name >> 40) & (COPIES - 1);
  i64 apart = f->ts - copies[at].ts, limit = ident ? 100000000 : 1000000;
  if (UNLIKELY(copies[at].name == name && apart <= limit && apart >= -limit)) return 1;
  copies[at].name = name;
  copies[at].ts = f->ts;
  return 0;
}

/* The sender of a frame: what it sends, and from which hardware address. */
INLINE void send_from(Host *h, const Frame *f) {
  h->frames++;
  h->bytes += f->wire;
  if (!f->hardware) return;
  if (LIKELY(h->claims == 1 && raw32(h->claim[0].hardware) == raw32(f->hardware) &&
             h->claim[0].hardware[4] == f->hardware[4] && h->claim[0].hardware[5] == f->hardware[5])) {
    h->claim[0].by |= 2;
    h->claim[0].ip++;
    h->claim[0].last = f->ts;
  } else claim(h, f->hardware, 2, f->ts);
}

static void sender(const Frame *f) { send_from(host_of((const u8 *)f->source, 1), f); }

INLINE void known_sender(const Frame *f, Connection *c, u32 s) {
  if (UNLIKELY(!c->host[s] || c->host_order != host_order)) {
    u32 row = (u32)(host_of((const u8 *)f->source, 1) - hosts);
    if (c->host_order != host_order) c->host[0] = c->host[1] = 0;
    c->host_order = host_order;
    c->host[s] = row + 1;
  }
  send_from(&hosts[c->host[s] - 1], f);
}

/* t: TCP header; got: its bytes in the capture; length: of the whole segment on the wire. */
static void tcp(const Frame *f, const u8 *t, u32 got, u32 length, u32 ident) {
  T[TCP]++;
  if (UNLIKELY(got < 20)) {
    T[TCP_CUT]++;
    sender(f);
    return;
  }
  u32 header = (u32)(t[12] >> 4) * 4, flags = t[13], seq = be32(t + 4), ack = be32(t + 8), window = be16(t + 14);
  if (UNLIKELY(header < 20 || header > length)) {
    T[BAD_IP]++;
    sender(f);
    return;
  }
  u32 data = length - header, have = got > header ? got - header : 0;
  if (have > data) have = data;
  if (UNLIKELY(have < data)) T[TCP_CUT]++;
  u32 s;
  Connection *c = connection_of(f, be16(t), be16(t + 2), &s);
  count_kind(c->kind, length);
  known_sender(f, c, s);
  if (UNLIKELY(is_copy(f, t, (u32)(c - connections) << 1 | s, ident, length))) {
    T[COPIES_SEEN]++;
    if (data) {
      T[COPIES_WITH_DATA]++;
      if (c->modbus) T[MB_COPIES]++;
    }
    return;
  }
  c->last = f->ts;
  Side *x = &c->side[s], *other;
  if (UNLIKELY(flags & F_SYN)) {
    T[flags & F_ACK ? SYN_ACK : SYN]++;
    opening(c, s, seq, flags);
    seq++;
  }
  other = &c->side[!s];
  if (UNLIKELY(window == 0 && !(flags & (F_RST | F_SYN | F_FIN)))) T[ZERO_WINDOW]++;
  if (flags & F_ACK && UNLIKELY(other->held) && (i32)(ack - other->next) > 0) go_on(c, !s, 1, ack);
  if (UNLIKELY(!x->started && !(flags & F_RST))) {
    x->started = 1;
    x->next = x->top = seq;
  }
  if (data) {
    T[DATA]++;
    if (UNLIKELY(data == 1 && seq == x->top - 1)) T[KEEP_ALIVE_BYTE]++;
    else {
      u32 what = newness(c, x, seq, data);
      if (c->modbus) {
        i32 ahead = (i32)(seq - x->next);
        if (LIKELY(ahead <= 0)) {
          if ((i32)(seq + data - x->next) > 0) {
            deliver(c, s, t + header, have, data, seq, ack, f->ts);
            if (UNLIKELY(x->held)) go_on(c, s, 0, 0);
          } else if (what == LATE_FILL && x->filled == 0) { /* the stream went on without it: taken by itself */
            u32 next = x->next;
            in_order(c, s, t + header, have, seq, ack, f->ts);
            x->filled = 0;
            x->next = next;
          }
        } else hold(c, s, t + header, have, data, seq, ack, f->ts);
      }
    }
  } else if (!(flags & (F_SYN | F_FIN | F_RST)))
    bare(x, seq, ack, window, (i32)(other->top - ack) > 0);
  if (flags & F_ACK) x->acknowledges = 1;
  if (UNLIKELY(flags & (F_FIN | F_RST))) closing(c, s, seq + data, flags);
}

static void tcp_start(void) {
  for (u32 i = 0; i < HELD; i++) held[i].next = i + 2;
  held[HELD - 1].next = 0;
  held_free = 1;
}

static void tcp_end(void) {
  for (u32 i = 0; i < CONNECTIONS; i++)
    if (connections[i].used)
      for (u32 s = 0; s < 2; s++) go_on_after_all(&connections[i], s);
}

#endif
