/* Simulated devices for the benchmark: N loopback addresses on one port, one thread, epoll.
 *
 * usage: server COUNT PORT DELAY_US SILENT_PERCENT
 *
 * Device i listens on 127.1.(i / 250).(1 + i % 250):PORT and answers every read (functions 1 to 4) of unit 255
 * DELAY_US after the request has come, other units with exception 0x0B, other functions with exception 1.
 * Of every 100 devices the first SILENT_PERCENT accept and never answer. Prints "ready" and runs until its
 * standard input ends, so that no server outlives the benchmark.
 */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/tcp.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/timerfd.h>
#include <time.h>
#include <unistd.h>

enum { MAX_FD = 65536, REQUEST = 12, LISTENER = 1, PEER = 2, TIMER = 3, STDIN = 4 };

struct peer {
    int kind, silent, have, serial;
    unsigned char in[260];
};
struct reply {
    uint64_t due;
    int fd, serial;
    unsigned char head[REQUEST];
};

static struct peer peers[MAX_FD];
static struct reply queue[MAX_FD]; /* one request in flight a connection: never full */
static unsigned head, tail;
static uint64_t delay_ns;
static int timer, poller, silent_percent;

static uint64_t now(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (uint64_t)t.tv_sec * 1000000000u + (uint64_t)t.tv_nsec;
}

static void die(const char *what) {
    perror(what);
    exit(1);
}

static void watch(int fd, int kind) {
    struct epoll_event e = {.events = EPOLLIN, .data.fd = fd};
    peers[fd].kind = kind;
    if (epoll_ctl(poller, EPOLL_CTL_ADD, fd, &e)) die("epoll_ctl");
}

static void drop(int fd) {
    peers[fd].serial++;
    peers[fd].kind = 0;
    close(fd);
}

static void arm(void) {
    struct itimerspec when = {0};
    if (head != tail) {
        uint64_t due = queue[head % MAX_FD].due;
        when.it_value.tv_sec = (time_t)(due / 1000000000u);
        when.it_value.tv_nsec = (long)(due % 1000000000u);
    }
    timerfd_settime(timer, TFD_TIMER_ABSTIME, &when, NULL);
}

static void answer(struct reply *r) {
    unsigned char out[260];
    int function = r->head[7], count = r->head[10] << 8 | r->head[11];
    int bytes = function >= 3 ? 2 * count : (count + 7) / 8, size;
    memcpy(out, r->head, 8);
    if (r->head[6] != 255) {
        out[7] = (unsigned char)(function | 0x80), out[8] = 0x0B, size = 9;
    } else if (function < 1 || function > 4 || bytes > 250) {
        out[7] = (unsigned char)(function | 0x80), out[8] = 1, size = 9;
    } else {
        int start = r->head[8] << 8 | r->head[9];
        out[8] = (unsigned char)bytes, size = 9 + bytes;
        for (int i = 0; i + 1 < bytes; i += 2) out[9 + i] = 0, out[10 + i] = (unsigned char)(100 + (start + i / 2) % 100);
    }
    out[4] = 0, out[5] = (unsigned char)(size - 6);
    if (peers[r->fd].serial == r->serial && write(r->fd, out, (size_t)size) != size) drop(r->fd);
}

static void flush(void) {
    uint64_t at = now();
    while (head != tail && queue[head % MAX_FD].due <= at) answer(&queue[head++ % MAX_FD]);
    arm();
}

static void received(int fd) {
    struct peer *p = &peers[fd];
    ssize_t n = read(fd, p->in + p->have, sizeof p->in - (size_t)p->have);
    if (n <= 0) {
        if (n == 0 || (errno != EAGAIN && errno != EINTR)) drop(fd);
        return;
    }
    p->have += (int)n;
    for (;;) {
        int size = p->have >= 6 ? 6 + (p->in[4] << 8 | p->in[5]) : 0;
        if (!size || p->have < size) return;
        if (size > 254) { drop(fd); return; }
        if (!p->silent) {
            struct reply *r = &queue[tail % MAX_FD];
            r->due = now() + delay_ns, r->fd = fd, r->serial = p->serial;
            memcpy(r->head, p->in, REQUEST);
            if (head == tail++) arm();
        }
        p->have -= size;
        memmove(p->in, p->in + size, (size_t)p->have);
    }
}

static void accepted(int listener) {
    int fd, one = 1;
    while ((fd = accept4(listener, NULL, NULL, SOCK_NONBLOCK)) >= 0) {
        int serial = peers[fd].serial;
        memset(&peers[fd], 0, sizeof peers[fd]);
        peers[fd].serial = serial;
        peers[fd].silent = peers[listener].silent;
        setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
        watch(fd, PEER);
    }
}

static void listen_on(int index, int port) {
    struct sockaddr_in a = {.sin_family = AF_INET, .sin_port = htons((uint16_t)port)};
    a.sin_addr.s_addr = htonl(0x7F010000u | (uint32_t)(index / 250) << 8 | (uint32_t)(1 + index % 250));
    int one = 1, fd = socket(AF_INET, SOCK_STREAM | SOCK_NONBLOCK, 0);
    if (fd < 0 || fd >= MAX_FD) die("socket");
    setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &one, sizeof one);
    if (bind(fd, (struct sockaddr *)&a, sizeof a) || listen(fd, 16)) die("bind");
    peers[fd].silent = index % 100 < silent_percent;
    watch(fd, LISTENER);
}

int main(int argc, char **argv) {
    if (argc != 5) return fprintf(stderr, "usage: server COUNT PORT DELAY_US SILENT_PERCENT\n"), 2;
    int count = atoi(argv[1]), port = atoi(argv[2]);
    delay_ns = (uint64_t)atoi(argv[3]) * 1000u, silent_percent = atoi(argv[4]);
    struct rlimit files;
    getrlimit(RLIMIT_NOFILE, &files), files.rlim_cur = files.rlim_max, setrlimit(RLIMIT_NOFILE, &files);
    poller = epoll_create1(0), timer = timerfd_create(CLOCK_MONOTONIC, TFD_NONBLOCK);
    for (int i = 0; i < count; i++) listen_on(i, port);
    watch(timer, TIMER), watch(0, STDIN);
    puts("ready"), fflush(stdout);
    for (;;) {
        struct epoll_event events[512];
        int n = epoll_wait(poller, events, 512, -1);
        for (int i = 0; i < n; i++) {
            int fd = events[i].data.fd;
            char sink[8];
            switch (peers[fd].kind) {
            case LISTENER: accepted(fd); break;
            case PEER: received(fd); break;
            case TIMER: if (read(fd, sink, 8) == 8) flush(); break;
            case STDIN: if (read(0, sink, 8) <= 0) return 0; break;
            }
        }
    }
}
