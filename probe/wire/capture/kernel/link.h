/* From the frame to what it carries: Ethernet with VLAN tags, Linux cooked (both), raw IP, loopback. */
#ifndef LINK_H
#define LINK_H
#include "tcp.h"

/* -- frames of rare protocols go to the caller, each different one once in 30 s ------------------------- */

typedef struct {
  u64 name;
  u32 kind, count;
  i64 first, last, told;
} Distinct;

static Distinct distinct[DISTINCT];
static u8 out[OUT_BYTES];
static u32 out_used;
enum { OUT_HEAD = 32, OUT_FRAME = 2048, AGAIN_NS = 1000000000 };
enum { LLDP = 1, STP, DCP, CDP, MRP, REDUNDANT };

NOINLINE void rare(u32 kind, const u8 *p, u32 n, u32 length, i64 ts) {
  u64 name = mix(kind * 0x10001ull + length);
  u32 i = 0, kept = n < OUT_FRAME ? n : OUT_FRAME;
  for (; i + 8 <= kept; i += 8) name = mix(name ^ raw64(p + i));
  for (; i < kept; i++) name = mix(name ^ p[i]);
  name |= 1;
  u32 at = (u32)(name >> 24) & (DISTINCT - 1);
  Distinct *d = 0;
  for (i = 0; i < 16; i++, at = (at + 1) & (DISTINCT - 1)) {
    d = &distinct[at];
    if (!d->name || d->name == name) break;
    d = 0;
  }
  if (!d) {
    T[DISTINCT_FULL]++;
    return;
  }
  int fresh = !d->name;
  if (fresh) *d = (Distinct){.name = name, .kind = kind, .first = ts};
  d->count++;
  int tell = fresh || (kind == STP && ts - d->last > 30 * (i64)AGAIN_NS);
  d->last = ts;
  if (!tell || out_used + OUT_HEAD + kept > OUT_BYTES) return;
  d->told = ts;
  u32 head[4] = {kept, kind, at, n < length ? length : 0};
  u64 times[2] = {(u64)ts, (u64)T[PACKETS]};
  __builtin_memcpy(out + out_used, head, 16);
  __builtin_memcpy(out + out_used + 16, times, 16);
  copy(out + out_used + OUT_HEAD, p, kept);
  out_used += OUT_HEAD + ((kept + 7) & ~7u);
}

/* -- ARP ------------------------------------------------------------------------------------------------ */

NOINLINE void arp(Frame *f, const u8 *p, u32 n) {
  T[ARP]++;
  if (n < 8 || (p[4] == 6 && n < 28) || be16(p + 2) != 0x0800 || p[4] != 6 || p[5] != 4) {
    T[ARP_ODD]++;
    return;
  }
  u32 operation = be16(p + 6);
  const u8 *sender = p + 14, *target = p + 24;
  if (operation == 1) T[ARP_REQUESTS]++;
  else if (operation == 2) T[ARP_REPLIES]++;
  else T[ARP_ODD]++;
  if (f->hardware && !same(f->hardware, p + 8, 6)) T[ARP_OTHER_SOURCE]++;
  if (!raw32(sender)) {
    if (operation == 1) T[ARP_PROBES]++;
    return;
  }
  if (raw32(sender) == raw32(target)) T[ARP_GRATUITOUS]++;
  u8 address[16] = {0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0xFF, 0xFF, sender[0], sender[1], sender[2], sender[3]};
  claim(host_of(address, 1), p + 8, 1, f->ts);
}

/* -- IP ------------------------------------------------------------------------------------------------- */

NOINLINE void udp(const u8 *p, u32 got, u32 length) {
  T[UDP]++;
  if (got < 8) return;
  u16 from = be16(p), to = be16(p + 2);
  seen(5, from < to ? from : to, length);
  if ((from == 161 || to == 161 || to == 162) && got >= 8 + 7 && p[8] == 0x30) {
    const u8 *v = p + 10;
    if (p[9] & 0x80) v += p[9] & 3;
    if (v + 3 > p + got || v[0] != 2 || v[1] != 1) return;
    T[v[2] == 0 ? SNMP1 : v[2] == 1 ? SNMP2 : SNMP3]++;
    if (v[2] < 2 && v + 11 <= p + got && v[3] == 4 && v[4] == 6 && same(v + 5, (const u8 *)"public", 6)) T[SNMP_DEFAULT_NAME]++;
    if (v[2] < 2 && v + 12 <= p + got && v[3] == 4 && v[4] == 7 && same(v + 5, (const u8 *)"private", 7)) T[SNMP_DEFAULT_NAME]++;
  }
}

INLINE void carried(Frame *f, u32 protocol, const u8 *p, u32 got, u32 length, u32 ident) {
  if (LIKELY(protocol == 6)) {
    tcp(f, p, got, length, ident);
    return;
  }
  sender(f);
  if (protocol == 17) udp(p, got, length);
  else {
    if (protocol == 1 || protocol == 58) T[ICMP]++;
    seen(3, protocol, length);
  }
}

NOINLINE void ip4(Frame *f, const u8 *p, u32 n) {
  T[IP4]++;
  u32 header = (u32)(p[0] & 15) * 4, total = n >= 20 ? be16(p + 2) : 0;
  if (UNLIKELY(n < 20 || header < 20 || header > n || p[0] >> 4 != 4)) {
    T[BAD_IP]++;
    return;
  }
  if (!total) total = n; /* left to the network card */
  if (UNLIKELY(total < header)) {
    T[BAD_IP]++;
    return;
  }
  f->source[0] = f->target[0] = 0;
  f->source[1] = (u64)raw32(p + 12) << 32 | 0xFFFF0000u;
  f->target[1] = (u64)raw32(p + 16) << 32 | 0xFFFF0000u;
  if (UNLIKELY(be16(p + 6) & 0x3FFF)) {
    T[FRAGMENTS]++;
    if (be16(p + 6) & 0x1FFF) {
      sender(f);
      return;
    }
  }
  carried(f, p[9], p + header, (n < total ? n : total) - header, total - header, be16(p + 4));
}

NOINLINE void ip6(Frame *f, const u8 *p, u32 n) {
  T[IP6]++;
  if (n < 40 || p[0] >> 4 != 6) {
    T[BAD_IP]++;
    return;
  }
  for (u32 i = 0; i < 2; i++) {
    f->source[i] = raw64(p + 8 + 8 * i);
    f->target[i] = raw64(p + 24 + 8 * i);
  }
  u32 next = p[6], at = 40, total = 40 + be16(p + 4);
  if (total == 40) total = n;
  for (u32 steps = 0; steps < 8; steps++) {
    if (next != 0 && next != 43 && next != 44 && next != 60) break;
    if (at + 8 > n || at + 8 > total) break;
    if (next == 44) {
      T[FRAGMENTS]++;
      if (be16(p + at + 2) & 0xFFF8) {
        sender(f);
        return;
      }
    }
    u32 size = next == 44 ? 8 : 8 + 8u * p[at + 1];
    next = p[at];
    at += size;
  }
  if (at > n || at > total || next == 0 || next == 43 || next == 44 || next == 60) {
    sender(f);
    return;
  }
  carried(f, next, p + at, (n < total ? n : total) - at, total - at, 0);
}

/* -- what stands behind an EtherType ------------------------------------------------------------------ */

NOINLINE void protocol(Frame *f, u32 type, const u8 *frame, const u8 *p, u32 n, u32 caplen) {
  u32 depth = 0, wire = f->wire;
  while (UNLIKELY(type == 0x8100 || type == 0x88A8 || type == 0x9100 || type == 0x9200)) {
    if (n < 4 || ++depth > 8) {
      T[SHORT_FRAMES]++;
      return;
    }
    if (depth == 1) T[TAGGED]++;
    seen(7, be16(p) & 0xFFF, wire);
    type = be16(p + 2);
    p += 4;
    n -= 4;
  }
  if (LIKELY(type == 0x0800)) {
    ip4(f, p, n);
    return;
  }
  if (f->hardware) {
    u8 address[16] = {0};
    copy(address, f->hardware, 6);
    if (type != 0x86DD) {
      Host *h = host_of(address, 2);
      h->frames++;
      h->bytes += wire;
    }
  }
  if (type <= 1500) {
    T[LENGTH_FRAMES]++;
    if (n < 3) return;
    u32 points = (u32)p[0] << 8 | p[1];
    u64 snap = n >= 8 && points == 0xAAAA ? (u64)be32(p + 2) << 16 | be16(p + 6) : 0;
    seen(2, points, wire);
    if (points == 0x4242) rare(STP, frame, caplen, wire, f->ts);
    else if ((snap & 0xFFFFFFFFFFull) == 0x00000C010Bull) rare(STP, frame, caplen, wire, f->ts);
    else if ((snap & 0xFFFFFFFFFFull) == 0x00000C2000ull) rare(CDP, frame, caplen, wire, f->ts);
    return;
  }
  if (type == 0x0806) arp(f, p, n);
  else if (type == 0x86DD) {
    ip6(f, p, n);
    return;
  } else if (type == 0x88CC) rare(LLDP, frame, caplen, wire, f->ts);
  else if (type == 0x8892) {
    if (n >= 2 && p[0] == 0xFE && p[1] >= 0xFC) rare(DCP, frame, caplen, wire, f->ts);
  } else if (type == 0x88E3) rare(MRP, frame, caplen, wire, f->ts);
  else if (type == 0x88FB) rare(REDUNDANT, frame, caplen, wire, f->ts);
  seen(1, type, wire);
}

enum { GOES_TO_ONE, GOES_TO_SOME, GOES_TO_ALL, NOT_TOLD };

INLINE int ethernet_target(const u8 *p) {
  if (LIKELY(!(p[0] & 1))) return GOES_TO_ONE;
  return raw32(p) == 0xFFFFFFFFu && p[4] == 0xFF && p[5] == 0xFF ? GOES_TO_ALL : GOES_TO_SOME;
}

/* Frames before the latest one: they count as steps back only where they follow a later one. */
NOINLINE void not_the_latest(i64 ts) {
  if (ts < T[LAST_NS]) {
    T[BACKWARD]++;
    if (ts < T[LOW_NS]) T[LOW_NS] = ts;
  }
  T[LAST_NS] = ts;
}

NOINLINE void first_frame(i64 ts, u32 link) {
  T[FIRST_NS] = T[LOW_NS] = T[HIGH_NS] = T[LAST_NS] = ts;
  T[BIN_WIDTH_NS] = 1000000000;
  T[LINK_TYPE] = link;
}

NOINLINE int other_target(const u8 *p, u32 cap, u32 link) {
  u32 kind = 0;
  if (link == 113 && cap >= 2) kind = be16(p);
  else if (link == 276 && cap >= 11) kind = p[10];
  else if (link != 113 && link != 276) {
    untold_targets++;
    return NOT_TOLD;
  }
  return kind == 1 ? GOES_TO_ALL : kind == 2 ? GOES_TO_SOME : GOES_TO_ONE;
}

/* Frames of other links than Ethernet. */
NOINLINE void other_frame(Frame *f, const u8 *p, u32 cap, u32 link) {
  if (link == 113 && cap >= 16) {
    if (be16(p + 4) == 6) f->hardware = p + 6;
    protocol(f, be16(p + 14), p, p + 16, cap - 16, cap);
  } else if (link == 276 && cap >= 20) {
    if (p[11] == 6) f->hardware = p + 12;
    protocol(f, be16(p), p, p + 20, cap - 20, cap);
  } else if ((link == 101 || link == 12 || link == 14 || link == 228 || link == 229) && cap >= 1) {
    if (p[0] >> 4 == 6) ip6(f, p, cap);
    else ip4(f, p, cap);
  } else if ((link == 0 || link == 108) && cap >= 5) {
    if (p[4] >> 4 == 6) ip6(f, p + 4, cap - 4);
    else if (p[4] >> 4 == 4) ip4(f, p + 4, cap - 4);
  } else {
    T[UNREAD_LINK]++;
    seen(6, link, f->wire);
  }
}

/* One frame of the file. p: cap bytes; wire: its length on the wire; check: bytes of frame check at its end. */
INLINE void frame(const u8 *p, u32 cap, u32 wire, i64 ts, u32 link, u32 check) {
  if (UNLIKELY(T[PACKETS]++ == 0)) first_frame(ts, link);
  if (LIKELY(ts >= T[HIGH_NS])) T[HIGH_NS] = T[LAST_NS] = ts;
  else not_the_latest(ts);
  T[WIRE_BYTES] += wire;
  if (UNLIKELY(cap < wire)) T[TRUNCATED]++;
  int target = GOES_TO_ONE;
  u32 occupied = wire + 20;
  if (LIKELY(link == 1)) {
    u32 bare_length = wire > check ? wire - check : 0;
    occupied = (bare_length < 60 ? 60 : bare_length) + 24; /* check 4, preamble and delimiter 8, gap 12 */
    if (cap >= 6) target = ethernet_target(p);
  } else target = other_target(p, cap, link);
  if (UNLIKELY(target == GOES_TO_SOME || target == GOES_TO_ALL)) T[UNICAST + target]++;
  load(ts, occupied, target == GOES_TO_SOME || target == GOES_TO_ALL);
  if (UNLIKELY(cap > wire)) cap = wire;
  Frame f;
  f.ts = ts;
  f.wire = wire;
  f.hardware = 0;
  if (UNLIKELY(link != 1)) {
    other_frame(&f, p, cap, link);
    return;
  }
  if (UNLIKELY(cap < 14)) {
    T[SHORT_FRAMES]++;
    return;
  }
  f.hardware = p + 6;
  if (LIKELY(p[12] == 8 && p[13] == 0)) ip4(&f, p + 14, cap - 14);
  else protocol(&f, be16(p + 12), p, p + 14, cap - 14, cap);
}

#endif
