/* The floor of the benchmark: the same reads with a C epoll client, one connection a device.
 *
 * usage: client COUNT PORT BLOCKS REGISTERS
 *
 * Asks each device (addresses as in server.c) BLOCKS times for REGISTERS holding registers, one request in
 * flight a connection, all devices at the same time; checks transaction id, unit, function and byte count.
 * Prints: wall seconds, CPU seconds, transactions.
 */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <errno.h>
#include <netinet/tcp.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

struct device { int fd, done, have; unsigned char in[260]; };

static int blocks, registers, poller;

static void die(const char *what) {
    perror(what);
    exit(1);
}

static void ask(struct device *d) {
    int id = d->done + 1, start = 200 * d->done;
    unsigned char out[12] = {(unsigned char)(id >> 8), (unsigned char)id, 0, 0, 0, 6, 255, 3,
        (unsigned char)(start >> 8), (unsigned char)start, (unsigned char)(registers >> 8), (unsigned char)registers};
    if (write(d->fd, out, 12) != 12) die("write");
}

static void dial(struct device *d, int index, int port) {
    struct sockaddr_in a = {.sin_family = AF_INET, .sin_port = htons((uint16_t)port)};
    a.sin_addr.s_addr = htonl(0x7F010000u | (uint32_t)(index / 250) << 8 | (uint32_t)(1 + index % 250));
    int one = 1;
    d->fd = socket(AF_INET, SOCK_STREAM | SOCK_NONBLOCK, 0);
    if (d->fd < 0) die("socket");
    setsockopt(d->fd, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
    if (connect(d->fd, (struct sockaddr *)&a, sizeof a) && errno != EINPROGRESS) die("connect");
    struct epoll_event e = {.events = EPOLLOUT, .data.ptr = d};
    if (epoll_ctl(poller, EPOLL_CTL_ADD, d->fd, &e)) die("epoll_ctl");
}

/* True if the device has given its last answer. */
static int answered(struct device *d) {
    int wanted = 9 + 2 * registers;
    ssize_t n = read(d->fd, d->in + d->have, sizeof d->in - (size_t)d->have);
    if (n <= 0) die("read");
    if ((d->have += (int)n) < wanted) return 0;
    if (d->have != wanted || (d->in[0] << 8 | d->in[1]) != d->done + 1 || d->in[6] != 255 || d->in[7] != 3 ||
        d->in[8] != 2 * registers)
        return fprintf(stderr, "wrong answer\n"), exit(1), 0;
    d->have = 0;
    if (++d->done == blocks) return close(d->fd), 1;
    ask(d);
    return 0;
}

int main(int argc, char **argv) {
    if (argc != 5) return fprintf(stderr, "usage: client COUNT PORT BLOCKS REGISTERS\n"), 2;
    int count = atoi(argv[1]), port = atoi(argv[2]), open = count;
    blocks = atoi(argv[3]), registers = atoi(argv[4]);
    struct rlimit files;
    getrlimit(RLIMIT_NOFILE, &files), files.rlim_cur = files.rlim_max, setrlimit(RLIMIT_NOFILE, &files);
    struct device *devices = calloc((size_t)count, sizeof *devices);
    struct timespec from, to;
    clock_gettime(CLOCK_MONOTONIC, &from);
    poller = epoll_create1(0);
    for (int i = 0; i < count; i++) dial(&devices[i], i, port);
    while (open) {
        struct epoll_event events[512];
        int n = epoll_wait(poller, events, 512, 10000);
        if (n == 0) return fprintf(stderr, "no answer for 10 s\n"), 1;
        for (int i = 0; i < n; i++) {
            struct device *d = events[i].data.ptr;
            if (events[i].events & EPOLLOUT) {
                struct epoll_event e = {.events = EPOLLIN, .data.ptr = d};
                epoll_ctl(poller, EPOLL_CTL_MOD, d->fd, &e);
                ask(d);
            } else {
                open -= answered(d);
            }
        }
    }
    clock_gettime(CLOCK_MONOTONIC, &to);
    struct rusage used;
    getrusage(RUSAGE_SELF, &used);
    double wall = (double)(to.tv_sec - from.tv_sec) + 1e-9 * (double)(to.tv_nsec - from.tv_nsec);
    double cpu = (double)(used.ru_utime.tv_sec + used.ru_stime.tv_sec) + 1e-6 * (double)(used.ru_utime.tv_usec + used.ru_stime.tv_usec);
    printf("%.6f %.6f %d\n", wall, cpu, count * blocks);
    return 0;
}
