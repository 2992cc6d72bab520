/* Modbus TCP: units of data from the ordered stream, and requests matched to their answers.
 *
 * A request and its answer belong together when connection, transaction id, unit and function agree, the
 * answer acknowledges the request, and the request acknowledges nothing beyond the answer (so that the order
 * of frames in the file does not matter). Where several open requests fit, the newest is taken: masters that
 * use one transaction id for everything give up on a request before they send the next. Requests that left
 * within 20 ms of each other are a burst, and are answered oldest first.
 */
#ifndef MODBUS_H
#define MODBUS_H
#include "tables.h"

typedef struct {
  u32 request; /* what is asked, and by whom, as a hash; 0 free */
  u32 count;
  u8 function, spare[3];
  u8 body[4];
  i64 last, least, most;
  double sum, squares; /* of intervals, seconds */
} Poll;

typedef struct {
  u8 server[16];
  u16 port;
  u8 unit, spare;
  u32 chain;
  u64 requests, responses, matched, exceptions, repeated, reused;
  u64 by_code[16]; /* exceptions by code; 0: any code above 15 */
  i64 first, last;
  u64 least_ns, most_ns, sum_ns;
  u32 open[2], most_open; /* asked in this and in the last spell of 2^33 ns (8.6 s): older ones are given up */
  u32 polls, more_polls, spare2;
  i64 spell;
  Poll poll[POLLS];
  u32 columns[COLUMNS];
} Device;

static Device devices[DEVICES];
static u32 device_heads[DEVICES];
static u32 device_count;

typedef struct {
  u8 client[16];
  u32 device;
  u8 function, spare[3];
  u64 count, done, refused;
  i64 first, last;
  u32 low, high; /* addresses written */
} Write;

static Write writes[WRITES];
static u32 write_count;
static u64 functions[256];
static u8 units[256];

/* Open requests, and answers that found none: a ring whose oldest entry gives way. */
enum { FREE, REQUEST, ANSWER };
typedef struct {
  u32 serial, key; /* of the connection; transaction id, unit, function */
  u32 next, before, slot; /* of the chain of its key: index + 1, 0 for none */
  u32 place, acknowledged; /* request: end of it in its stream; answer: its begin */
  u32 frame;
  u32 device;
  u8 kind, code;
  u16 write; /* number + 1 of the row in writes */
  i64 ts;
} Entry;

static Entry entries[REQUESTS];
static u32 entry_heads[REQUESTS];
static u32 entry_at;

/* State of a connection that matching needs. */
typedef struct {
  u32 serial; /* different for every connection ever seen */
  u32 open, most_open;
  u32 device_unit, device; /* the last one, remembered */
  u32 answered[8]; /* keys of the last answers */
  u32 answered_at;
  u32 hole; /* end of the last hole in the answers */
  u8 counted, spare[3];
} Talk;

NOINLINE u32 find_device(const u8 *server, u16 port, u8 unit) {
  u32 slot = (u32)(mix(address_hash(server) ^ (u64)port << 40 ^ (u64)unit << 32) >> 16) & (DEVICES - 1);
  for (u32 i = device_heads[slot]; i; i = devices[i - 1].chain) {
    Device *d = &devices[i - 1];
    if (d->unit == unit && d->port == port && same(d->server, server, 16)) return i - 1;
  }
  if (device_count == DEVICES - 1) { /* the last row is for all that are too many */
    T[DEVICES_FULL]++;
    return DEVICES - 1;
  }
  Device *d = &devices[device_count];
  copy(d->server, server, 16);
  d->port = port;
  d->unit = unit;
  d->chain = device_heads[slot];
  device_heads[slot] = ++device_count;
  return device_count - 1;
}

INLINE u32 device_of(Talk *talk, const u8 *server, u16 port, u8 unit) {
  if (talk->device_unit == (u32)unit + 1) return talk->device;
  talk->device = find_device(server, port, unit);
  talk->device_unit = (u32)unit + 1;
  return talk->device;
}

/* The interval between equal requests of one master. */
INLINE void poll_of(Device *d, const u8 *client, const u8 *pdu, u32 n, i64 ts) {
  u32 body = n >= 5 ? raw32(pdu + 1) : 0;
  u32 name = (u32)(((u64)body << 8 ^ pdu[0] ^ raw64(client + 8) * 0xC2B2AE3D27D4EB4Full) * 0x9E3779B97F4A7C15ull >> 32) | 1;
  u32 i = 0;
  while (i < d->polls && d->poll[i].request != name) i++;
  if (i == POLLS) {
    d->more_polls++;
    return;
  }
  Poll *p = &d->poll[i];
  if (i == d->polls) {
    d->polls++;
    *p = (Poll){.request = name, .function = pdu[0], .last = ts};
    __builtin_memcpy(p->body, &body, 4);
    return;
  }
  i64 gap = ts - p->last;
  double s = (double)gap * 1e-9;
  if (!p->count || gap < p->least) p->least = gap;
  if (gap > p->most) p->most = gap;
  p->count++;
  p->sum += s;
  p->squares += s * s;
  p->last = ts;
}

INLINE int is_write(u8 function) {
  return function == 5 || function == 6 || function == 15 || function == 16 || function == 21 || function == 22 ||
         function == 23;
}

NOINLINE u16 note_write(const u8 *client, u32 device, const u8 *pdu, u32 n, i64 ts) {
  u8 function = pdu[0];
  u32 i = 0;
  for (; i < write_count; i++)
    if (writes[i].function == function && writes[i].device == device && same(writes[i].client, client, 16)) break;
  if (i == WRITES) {
    T[WRITES_FULL]++;
    return 0;
  }
  Write *w = &writes[i];
  if (i == write_count) {
    *w = (Write){.device = device, .function = function, .first = ts, .low = 0xFFFFFFFFu};
    copy(w->client, client, 16);
    write_count++;
  }
  w->count++;
  w->last = ts;
  u32 at = function == 23 ? 5 : 1, many = 1;
  if (function != 21 && n >= at + 2) {
    u32 address = be16(pdu + at);
    if ((function == 15 || function == 16 || function == 23) && n >= at + 4) many = be16(pdu + at + 2);
    if (address < w->low) w->low = address;
    if (many && address + many - 1 > w->high) w->high = address + many - 1;
  }
  return (u16)(i + 1);
}

INLINE void unlink_entry(u32 i) {
  Entry *e = &entries[i];
  if (e->kind == FREE) return;
  if (e->before) entries[e->before - 1].next = e->next; else entry_heads[e->slot] = e->next;
  if (e->next) entries[e->next - 1].before = e->before;
  e->kind = FREE;
  if (i == ((entry_at - 1) & (REQUESTS - 1))) entry_at--; /* the newest: its place is still at hand */
}

INLINE u32 entry_slot(u32 serial, u32 key) {
  return (u32)(((u64)serial << 32 ^ (u64)key << 7 ^ key) * 0x9E3779B97F4A7C15ull >> 44) & (REQUESTS - 1);
}

INLINE Entry *new_entry(u32 serial, u32 key, u32 slot) {
  u32 i = entry_at++ & (REQUESTS - 1);
  Entry *e = &entries[i];
  if (UNLIKELY(e->kind != FREE)) {
    if (e->kind == REQUEST) T[REQUESTS_FORGOTTEN]++;
    unlink_entry(i);
    entry_at = i + 1;
  }
  e->serial = serial;
  e->key = key;
  e->slot = slot;
  e->before = 0;
  e->next = entry_heads[slot];
  if (e->next) entries[e->next - 1].before = i + 1;
  entry_heads[slot] = i + 1;
  return e;
}

INLINE void replied(u32 device, i64 asked, i64 answered) {
  Device *d = &devices[device];
  i64 took = answered - asked;
  if (UNLIKELY(took < 0)) {
    T[NEGATIVE]++;
    return;
  }
  u64 ns = (u64)took;
  u64 n = d->matched;
  if (n == 1 || ns < d->least_ns) d->least_ns = ns;
  if (ns > d->most_ns) d->most_ns = ns;
  d->sum_ns += ns;
  d->columns[limited(column(ns, 5), COLUMNS)]++;
  fine[limited(column(ns, 8), FINE)]++;
  if (T[EXACT_COUNT] < EXACT) {
    exact_device[T[EXACT_COUNT]] = device;
    exact_ns[T[EXACT_COUNT]++] = ns;
  }
  reply_in_bin(answered, ns);
}

INLINE void pair(Talk *talk, u32 device, u32 key, u8 code, u16 write) {
  Device *d = &devices[device];
  T[MATCHED]++;
  d->matched++;
  if (code) T[MATCHED_EXCEPTIONS]++;
  if (write) {
    if (code) writes[write - 1].refused++; else writes[write - 1].done++;
  }
  talk->answered[talk->answered_at++ & 7] = key;
}

/* The answer among those that found no request: frames in the file may be out of order. */
INLINE Entry *waiting_answer(u32 serial, u32 key, u32 slot, u32 end, u32 acknowledged) {
  Entry *found = 0;
  u32 i = entry_heads[slot];
  for (u32 steps = 0; i && steps < 64; i = entries[i - 1].next, steps++) {
    Entry *e = &entries[i - 1];
    if (e->kind == ANSWER && e->key == key && e->serial == serial && (i32)(e->acknowledged - end) >= 0 &&
        (i32)(e->place - acknowledged) >= 0)
      found = e; /* the oldest that fits */
  }
  return found;
}

enum { BURST_NS = 20000000 };

INLINE Entry *open_request(const Talk *talk, u32 key, u32 slot, u32 place, u32 acknowledged) {
  Entry *found = 0;
  u32 i = entry_heads[slot];
  for (u32 steps = 0; i && steps < 64; i = entries[i - 1].next, steps++) {
    Entry *e = &entries[i - 1];
    if (e->kind != REQUEST || e->key != key || e->serial != talk->serial) continue;
    if ((i32)(acknowledged - e->place) < 0 || (i32)(place - e->acknowledged) < 0) continue;
    if (found && (found->ts - e->ts > BURST_NS || (i32)(talk->hole - e->acknowledged) > 0)) break;
    found = e;
  }
  return found;
}

/* True while the newest entry of this key is a request without an answer. */
INLINE int still_open(u32 serial, u32 key, u32 slot) {
  u32 i = entry_heads[slot];
  for (u32 steps = 0; i && steps < 8; i = entries[i - 1].next, steps++)
    if (entries[i - 1].kind == REQUEST && entries[i - 1].key == key && entries[i - 1].serial == serial) return 1;
  return 0;
}

INLINE void opened(Device *d, i64 ts) {
  i64 spell = ts >> 33;
  if (UNLIKELY(spell != d->spell)) {
    if (spell != d->spell + 1) d->open[0] = d->open[1] = 0;
    d->open[spell & 1] = 0;
    d->spell = spell;
  }
  d->open[spell & 1]++;
  if (d->open[0] + d->open[1] > d->most_open) d->most_open = d->open[0] + d->open[1];
}

INLINE void answered(Device *d, i64 asked) {
  i64 spell = asked >> 33;
  if (d->spell - spell <= 1 && d->open[spell & 1]) d->open[spell & 1]--;
}

static void request(Talk *talk, const u8 *client, const u8 *server, u16 port, const u8 *adu, u32 n, u32 end,
                    u32 acknowledged, i64 ts) {
  u8 unit = adu[6], function = adu[7];
  u32 index = device_of(talk, server, port, unit), key = (u32)be16(adu) << 16 | (u32)unit << 8 | (function & 127);
  Device *d = &devices[index];
  if (!talk->counted) {
    talk->counted = 1;
    T[MB_CONNECTIONS]++;
  }
  T[REQUESTS_SEEN]++;
  functions[function]++;
  units[unit] = 1;
  if (function & 128) T[REQUESTS_HIGH_BIT]++;
  if (!d->requests++) d->first = ts;
  d->last = ts;
  poll_of(d, client, adu + 7, n - 7, ts);
  u16 write = UNLIKELY(is_write(function)) ? note_write(client, index, adu + 7, n - 7, ts) : 0;
  u32 slot = entry_slot(talk->serial, key);
  Entry *answer = entry_heads[slot] ? waiting_answer(talk->serial, key, slot, end, acknowledged) : 0;
  if (UNLIKELY(answer != 0)) {
    i64 came = answer->ts;
    u8 code = answer->code;
    unlink_entry((u32)(answer - entries));
    pair(talk, index, key, code, write);
    replied(index, ts, came);
    return;
  }
  if (entry_heads[slot] && still_open(talk->serial, key, slot)) {
    T[REUSED]++;
    d->reused++;
  }
  Entry *e = new_entry(talk->serial, key, slot);
  e->kind = REQUEST;
  e->place = end;
  e->acknowledged = acknowledged;
  e->ts = ts;
  e->device = index;
  e->write = write;
  e->frame = FRAME_NOW;
  if (++talk->open > talk->most_open) {
    talk->most_open = talk->open;
    if ((i64)talk->open > T[MOST_OPEN]) T[MOST_OPEN] = talk->open;
  }
  opened(d, ts);
}

static void response(Talk *talk, const u8 *server, u16 port, const u8 *adu, u32 n, u32 place, u32 acknowledged,
                     i64 ts) {
  u8 unit = adu[6], function = adu[7], code = 0;
  u32 index = device_of(talk, server, port, unit), key = (u32)be16(adu) << 16 | (u32)unit << 8 | (function & 127);
  Device *d = &devices[index];
  if (!talk->counted) {
    talk->counted = 1;
    T[MB_CONNECTIONS]++;
  }
  T[RESPONSES_SEEN]++;
  units[unit] = 1;
  d->responses++;
  d->last = ts;
  if (!d->first) d->first = ts;
  if (function & 128) {
    T[EXCEPTIONS]++;
    d->exceptions++;
    code = n > 8 ? adu[8] : 0;
    d->by_code[code < 16 ? code : 0]++;
    if (!code) code = 255;
  }
  u32 slot = entry_slot(talk->serial, key);
  Entry *asked = open_request(talk, key, slot, place, acknowledged);
  if (LIKELY(asked != 0)) {
    i64 left = asked->ts;
    u16 write = asked->write;
    unlink_entry((u32)(asked - entries));
    pair(talk, index, key, code, write);
    replied(index, left, ts);
    if (talk->open) talk->open--;
    answered(d, left);
    return;
  }
  for (u32 i = 0; i < 8; i++)
    if (talk->answered[i] == key && key) {
      T[REPEATED]++;
      d->repeated++;
      break;
    }
  Entry *e = new_entry(talk->serial, key, slot);
  e->kind = ANSWER;
  e->place = place;
  e->acknowledged = acknowledged;
  e->ts = ts;
  e->device = index;
  e->code = code;
  e->frame = FRAME_NOW;
}

#endif
