/* A directory of text files that a program takes for video devices (Linux, V4L2), so that the real capture path can be tried
 * without a camera. Same licence as landfit.
 *
 *   cc -O2 -Wall -Wextra -shared -fPIC -o libfakecam.so fakecam.c -ldl -lpthread
 *   FAKECAM_DIR=/some/dir LD_PRELOAD=./libfakecam.so landfit ...
 *
 * /some/dir stands for /dev: each file videoN in it is a device, there for as long as the file is; other files are listed, too.
 * /some/dir/names/videoN holds its name. The file's lines, read anew at every call, are
 *   kind camera|metadata        size WxH (several lines: several sizes)     format YUYV|MJPG (several lines)
 *   interval 1/30               several lines: the first is what it is set to at first
 *   state ok|stall|busy|denied  frame good|short|empty|broken|dark|same|still     jpeg /path/%d.jpg   (from 0, looped)
 * What is set by S_CTRL is appended to /some/dir/controls as "videoN id value".
 *
 * Buffers keep what they held: a short frame overwrites their beginning only, as the real ones do.
 */
#define _GNU_SOURCE
#include <dirent.h>
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <linux/videodev2.h>
#include <poll.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

enum { DEVICES = 8, HANDLES = 32, BUFFERS = 32, LIST = 8 };

struct control { unsigned id, type; const char *name; int least, most, usual; };
static const struct control CONTROLS[] = {
    {V4L2_CID_AUTO_WHITE_BALANCE, V4L2_CTRL_TYPE_BOOLEAN, "White Balance, Automatic", 0, 1, 1},
    {V4L2_CID_GAIN, V4L2_CTRL_TYPE_INTEGER, "Gain", 0, 100, 10},
    {V4L2_CID_WHITE_BALANCE_TEMPERATURE, V4L2_CTRL_TYPE_INTEGER, "White Balance Temperature", 2800, 6500, 4600},
    {V4L2_CID_EXPOSURE_AUTO, V4L2_CTRL_TYPE_MENU, "Auto Exposure", 0, 3, 3},
    {V4L2_CID_EXPOSURE_ABSOLUTE, V4L2_CTRL_TYPE_INTEGER, "Exposure Time, Absolute", 3, 2047, 250},
};
enum { N_CONTROLS = sizeof CONTROLS / sizeof *CONTROLS };

struct settings { /* what the device's file says */
    int metadata, n_sizes, n_formats, n_intervals;
    unsigned size[LIST][2], format[LIST], interval[LIST][2];
    char state[16], frame[16], jpeg[256];
};
struct device { /* what lives as long as the process */
    int known, owner; /* owner: the handle that has buffers, or -1 */
    unsigned width, height, pixels, interval[2];
    int value[N_CONTROLS];
    unsigned frames;
};
struct handle { /* one open file */
    int fd, device, dead, streaming, n_buffers, first, last, ring[BUFFERS], queued[BUFFERS];
    unsigned buffer_bytes;
    struct timespec due;
};

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static struct device devices[DEVICES];
static struct handle handles[HANDLES];
static int n_handles;

#define REAL(name, type) static __typeof__(type) real; if (!real) real = (type)dlsym(RTLD_NEXT, #name)

static const char *directory(void) { return getenv("FAKECAM_DIR"); }

static int real_open(const char *path, int flags, mode_t mode) {
    REAL(open, int (*)(const char *, int, ...));
    return real(path, flags | O_CLOEXEC, mode);
}
static int real_close(int fd) {
    REAL(close, int (*)(int));
    return real(fd);
}

/* Reads the file of a device; 0 where there is none. */
static int read_settings(int number, struct settings *s) {
    char path[512], text[2048] = "", *line, *rest = NULL;
    memset(s, 0, sizeof *s);
    snprintf(path, sizeof path, "%s/video%d", directory(), number);
    int fd = real_open(path, O_RDONLY, 0);
    if (fd < 0) return 0;
    ssize_t n = read(fd, text, sizeof text - 1);
    real_close(fd);
    if (n < 0) return 0;
    for (line = strtok_r(text, "\n", &rest); line; line = strtok_r(NULL, "\n", &rest)) {
        char word[256];
        unsigned a, b;
        if (sscanf(line, "kind %255s", word) == 1) s->metadata = !strcmp(word, "metadata");
        else if (sscanf(line, "size %ux%u", &a, &b) == 2 && s->n_sizes < LIST) s->size[s->n_sizes][0] = a, s->size[s->n_sizes++][1] = b;
        else if (sscanf(line, "interval %u/%u", &a, &b) == 2 && s->n_intervals < LIST) s->interval[s->n_intervals][0] = a, s->interval[s->n_intervals++][1] = b;
        else if (sscanf(line, "format %255s", word) == 1 && s->n_formats < LIST && strlen(word) == 4) s->format[s->n_formats++] = v4l2_fourcc(word[0], word[1], word[2], word[3]);
        else if (sscanf(line, "state %15s", word) == 1) strcpy(s->state, word);
        else if (sscanf(line, "frame %15s", word) == 1) strcpy(s->frame, word);
        else if (sscanf(line, "jpeg %255s", word) == 1) strcpy(s->jpeg, word);
    }
    return 1;
}

static unsigned row_bytes(const struct device *d) { return (d->width + 1) / 2 * 4; }
static unsigned frame_bytes(const struct device *d) { return row_bytes(d) * d->height; }

static void first_look(struct device *d, const struct settings *s) {
    if (d->known) return;
    d->known = 1, d->owner = -1;
    d->width = s->size[0][0], d->height = s->size[0][1], d->pixels = s->format[0];
    d->interval[0] = s->interval[0][0], d->interval[1] = s->interval[0][1];
    for (int i = 0; i < N_CONTROLS; i++) d->value[i] = CONTROLS[i].usual;
}

static struct handle *handle_of(int fd) {
    for (int i = 0; i < n_handles && fd >= 0; i++) if (handles[i].fd == fd) return &handles[i];
    return NULL;
}

static struct handle *locked_handle_of(int fd) {
    pthread_mutex_lock(&lock);
    struct handle *h = handle_of(fd);
    pthread_mutex_unlock(&lock);
    return h;
}

/* ---- frames ---- */

static uint32_t noise(uint32_t *state) { return *state = *state * 1664525u + 1013904223u, *state >> 29; }

/* Bright discs that wander over a plain ground (or stand still), with noise: no two frames alike. */
static size_t draw(const struct device *d, unsigned char *out, int dark, int still) {
    uint32_t state = d->frames * 2654435761u + 1;
    for (unsigned y = 0; y < d->height; y++) {
        unsigned char *row = out + (size_t)y * row_bytes(d);
        for (unsigned x = 0; x < (d->width + 1) / 2 * 2; x++) {
            int u = (int)((x + (still ? 0 : d->frames)) % 48) - 24, v = (int)(y % 48) - 24;
            row[2 * x] = (dark ? 16 : u * u + v * v < 150 ? 200 : 60) + noise(&state) % (dark ? 2 : 8);
            row[2 * x + 1] = 128;
        }
    }
    return frame_bytes(d);
}

/* A stored JPEG, made unlike every other one by a comment of changing length behind its first mark. */
static size_t load(const struct device *d, const struct settings *s, unsigned char *out, size_t room, int same) {
    char path[512];
    int fd = -1;
    unsigned count = 0, comment = same ? 8 : 8 + d->frames % 997;
    for (;; count++) {
        snprintf(path, sizeof path, s->jpeg, count);
        if (access(path, R_OK)) break;
    }
    if (!count) return 0;
    snprintf(path, sizeof path, s->jpeg, same ? 0 : d->frames % count);
    if ((fd = real_open(path, O_RDONLY, 0)) < 0) return 0;
    ssize_t n = 0;
    if (room > comment + 4 && read(fd, out, 2) == 2) {
        out[2] = 0xff, out[3] = 0xfe, out[4] = (comment + 2) >> 8, out[5] = (comment + 2) & 0xff;
        memset(out + 6, 'x', comment);
        if (!same) memcpy(out + 6, &d->frames, sizeof d->frames);
        n = read(fd, out + 6 + comment, room - 6 - comment) + 6 + comment;
    }
    real_close(fd);
    return n < 0 ? 0 : (size_t)n;
}

/* Fills one buffer; gives the bytes used. */
static size_t fill(struct handle *h, struct device *d, const struct settings *s, int buffer) {
    static unsigned char *scratch;
    static size_t room;
    if (room < h->buffer_bytes) scratch = realloc(scratch, room = h->buffer_bytes);
    if (!scratch) return 0;
    int same = !strcmp(s->frame, "same");
    if (same) d->frames = 0;
    size_t n = d->pixels == V4L2_PIX_FMT_MJPEG ? load(d, s, scratch, room, same) : draw(d, scratch, !strcmp(s->frame, "dark"), !strcmp(s->frame, "still"));
    if (!strcmp(s->frame, "short")) n = n / 2;
    if (!strcmp(s->frame, "empty")) n = 0;
    if (!strcmp(s->frame, "broken")) /* the code tables: lengths that no code can have */
        for (size_t i = 2; i + 20 < n; i++) if (scratch[i] == 0xff && scratch[i + 1] == 0xc4) memset(scratch + i + 5, 0xee, 8);
    if (n && pwrite(h->fd, scratch, n, (off_t)buffer * h->buffer_bytes) < 0) return 0;
    return n;
}

static int is_due(const struct handle *h) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return now.tv_sec > h->due.tv_sec || (now.tv_sec == h->due.tv_sec && now.tv_nsec >= h->due.tv_nsec);
}
static void set_due(struct handle *h, const struct device *d) { /* one interval from now: a reader that is late gets no backlog */
    clock_gettime(CLOCK_MONOTONIC, &h->due);
    h->due.tv_nsec += (long)(1e9 * d->interval[0] / (d->interval[1] ? d->interval[1] : 30));
    while (h->due.tv_nsec >= 1000000000L) h->due.tv_sec++, h->due.tv_nsec -= 1000000000L;
}

/* ---- calls ---- */

static int listed_format(const struct settings *s, unsigned pixels) {
    for (int i = 0; i < s->n_formats; i++) if (s->format[i] == pixels) return 1;
    return 0;
}
static int listed_size(const struct settings *s, unsigned w, unsigned h) {
    for (int i = 0; i < s->n_sizes; i++) if (s->size[i][0] == w && s->size[i][1] == h) return 1;
    return 0;
}
static int control(unsigned id) {
    for (int i = 0; i < N_CONTROLS; i++) if (CONTROLS[i].id == id) return i;
    return -1;
}
static int set_control(int number, struct device *d, unsigned id, int value) {
    int i = control(id);
    char path[512], line[64];
    if (i < 0) return EINVAL;
    if (value < CONTROLS[i].least || value > CONTROLS[i].most) return ERANGE;
    d->value[i] = value;
    snprintf(path, sizeof path, "%s/controls", directory());
    int fd = real_open(path, O_CREAT | O_APPEND | O_WRONLY, 0644);
    if (fd >= 0) {
        int n = snprintf(line, sizeof line, "video%d 0x%08x %d\n", number, id, value);
        if (write(fd, line, n) < 0) {}
        real_close(fd);
    }
    return 0;
}

static void tell_format(const struct device *d, struct v4l2_pix_format *p) {
    memset(p, 0, sizeof *p);
    p->width = d->width, p->height = d->height, p->pixelformat = d->pixels, p->field = V4L2_FIELD_NONE, p->colorspace = V4L2_COLORSPACE_SRGB;
    p->bytesperline = d->pixels == V4L2_PIX_FMT_YUYV ? row_bytes(d) : 0;
    p->sizeimage = frame_bytes(d);
}
static void tell_buffer(const struct handle *h, struct v4l2_buffer *b) {
    b->length = h->buffer_bytes, b->m.offset = b->index * h->buffer_bytes, b->memory = V4L2_MEMORY_MMAP, b->field = V4L2_FIELD_NONE;
    b->flags = V4L2_BUF_FLAG_MAPPED | V4L2_BUF_FLAG_TIMESTAMP_MONOTONIC | (h->queued[b->index] ? V4L2_BUF_FLAG_QUEUED : 0);
}

/* 0 or the error's number; the lock is held. */
static int answer(struct handle *h, unsigned request, void *argument) {
    struct settings s;
    if (h->dead || !read_settings(h->device, &s)) return h->dead = 1, ENODEV;
    struct device *d = &devices[h->device];
    int me = (int)(h - handles);
    switch (request) {
    case VIDIOC_QUERYCAP: {
        struct v4l2_capability *c = argument;
        memset(c, 0, sizeof *c);
        strcpy((char *)c->driver, "fakecam"), strcpy((char *)c->card, "fake"), strcpy((char *)c->bus_info, "platform:fakecam");
        c->device_caps = (s.metadata ? V4L2_CAP_META_CAPTURE : V4L2_CAP_VIDEO_CAPTURE) | V4L2_CAP_STREAMING;
        c->capabilities = V4L2_CAP_VIDEO_CAPTURE | V4L2_CAP_META_CAPTURE | V4L2_CAP_STREAMING | V4L2_CAP_DEVICE_CAPS;
        return 0;
    }
    case VIDIOC_ENUM_FMT: {
        struct v4l2_fmtdesc *f = argument;
        if (s.metadata || f->type != V4L2_BUF_TYPE_VIDEO_CAPTURE || (int)f->index >= s.n_formats) return EINVAL;
        f->pixelformat = s.format[f->index], f->flags = f->pixelformat == V4L2_PIX_FMT_MJPEG ? V4L2_FMT_FLAG_COMPRESSED : 0;
        memset(f->description, 0, sizeof f->description), memcpy(f->description, &f->pixelformat, 4);
        return 0;
    }
    case VIDIOC_ENUM_FRAMESIZES: {
        struct v4l2_frmsizeenum *f = argument;
        if ((int)f->index >= s.n_sizes || !listed_format(&s, f->pixel_format)) return EINVAL;
        f->type = V4L2_FRMSIZE_TYPE_DISCRETE, f->discrete.width = s.size[f->index][0], f->discrete.height = s.size[f->index][1];
        return 0;
    }
    case VIDIOC_ENUM_FRAMEINTERVALS: {
        struct v4l2_frmivalenum *f = argument;
        if ((int)f->index >= s.n_intervals || !listed_format(&s, f->pixel_format) || !listed_size(&s, f->width, f->height)) return EINVAL;
        f->type = V4L2_FRMIVAL_TYPE_DISCRETE, f->discrete.numerator = s.interval[f->index][0], f->discrete.denominator = s.interval[f->index][1];
        return 0;
    }
    case VIDIOC_G_FMT: case VIDIOC_S_FMT: case VIDIOC_TRY_FMT: {
        struct v4l2_format *f = argument;
        if (f->type != V4L2_BUF_TYPE_VIDEO_CAPTURE) return EINVAL;
        if (request == VIDIOC_S_FMT) {
            if (d->owner >= 0) return EBUSY;
            if (listed_format(&s, f->fmt.pix.pixelformat)) d->pixels = f->fmt.pix.pixelformat;
            if (listed_size(&s, f->fmt.pix.width, f->fmt.pix.height)) d->width = f->fmt.pix.width, d->height = f->fmt.pix.height;
        }
        tell_format(d, &f->fmt.pix);
        return 0;
    }
    case VIDIOC_G_PARM: case VIDIOC_S_PARM: {
        struct v4l2_streamparm *p = argument;
        if (p->type != V4L2_BUF_TYPE_VIDEO_CAPTURE) return EINVAL;
        struct v4l2_fract wanted = p->parm.capture.timeperframe;
        if (request == VIDIOC_S_PARM) {
            if (d->owner >= 0) return EBUSY;
            for (int i = 0; i < s.n_intervals; i++)
                if (s.interval[i][0] == wanted.numerator && s.interval[i][1] == wanted.denominator) d->interval[0] = wanted.numerator, d->interval[1] = wanted.denominator;
        }
        memset(&p->parm, 0, sizeof p->parm);
        p->parm.capture.capability = V4L2_CAP_TIMEPERFRAME;
        p->parm.capture.timeperframe.numerator = d->interval[0], p->parm.capture.timeperframe.denominator = d->interval[1];
        return 0;
    }
    case VIDIOC_REQBUFS: {
        struct v4l2_requestbuffers *r = argument;
        if (r->memory != V4L2_MEMORY_MMAP) return EINVAL;
        if (!strcmp(s.state, "busy") || (d->owner >= 0 && d->owner != me)) return EBUSY;
        if (r->count > BUFFERS) r->count = BUFFERS;
        h->n_buffers = r->count, h->first = h->last = h->streaming = 0, h->buffer_bytes = (frame_bytes(d) + 4095) & ~4095u;
        memset(h->queued, 0, sizeof h->queued);
        d->owner = r->count ? me : -1;
        return ftruncate(h->fd, (off_t)h->n_buffers * h->buffer_bytes) ? errno : 0;
    }
    case VIDIOC_QUERYBUF: {
        struct v4l2_buffer *b = argument;
        if ((int)b->index >= h->n_buffers) return EINVAL;
        tell_buffer(h, b);
        return 0;
    }
    case VIDIOC_QBUF: {
        struct v4l2_buffer *b = argument;
        if ((int)b->index >= h->n_buffers || h->queued[b->index]) return EINVAL;
        h->queued[b->index] = 1, h->ring[h->last++ % BUFFERS] = b->index;
        tell_buffer(h, b);
        return 0;
    }
    case VIDIOC_DQBUF: {
        struct v4l2_buffer *b = argument;
        struct timespec now;
        if (!h->streaming) return EINVAL;
        if (h->first == h->last || !strcmp(s.state, "stall") || !is_due(h)) return EAGAIN;
        b->index = h->ring[h->first++ % BUFFERS], h->queued[b->index] = 0;
        tell_buffer(h, b);
        b->bytesused = fill(h, d, &s, b->index), b->sequence = d->frames++;
        clock_gettime(CLOCK_MONOTONIC, &now);
        b->timestamp.tv_sec = now.tv_sec, b->timestamp.tv_usec = now.tv_nsec / 1000;
        set_due(h, d);
        return 0;
    }
    case VIDIOC_STREAMON: h->streaming = 1, set_due(h, d); return 0;
    case VIDIOC_STREAMOFF: h->streaming = h->first = h->last = 0, memset(h->queued, 0, sizeof h->queued); return 0;
    case VIDIOC_QUERYCTRL: case VIDIOC_QUERY_EXT_CTRL: {
        unsigned id = *(unsigned *)argument, plain = id & V4L2_CTRL_ID_MASK, next = id & (V4L2_CTRL_FLAG_NEXT_CTRL | V4L2_CTRL_FLAG_NEXT_COMPOUND);
        int found = -1;
        for (int i = N_CONTROLS - 1; i >= 0; i--) if (next ? CONTROLS[i].id > plain : CONTROLS[i].id == plain) found = i;
        if (found < 0) return EINVAL;
        const struct control *c = &CONTROLS[found];
        if (request == VIDIOC_QUERYCTRL) {
            struct v4l2_queryctrl *q = argument;
            memset(q, 0, sizeof *q);
            q->id = c->id, q->type = c->type, q->minimum = c->least, q->maximum = c->most, q->step = 1, q->default_value = c->usual;
            strncpy((char *)q->name, c->name, sizeof q->name - 1);
        } else {
            struct v4l2_query_ext_ctrl *q = argument;
            memset(q, 0, sizeof *q);
            q->id = c->id, q->type = c->type, q->minimum = c->least, q->maximum = c->most, q->step = 1, q->default_value = c->usual, q->elem_size = 4, q->elems = 1;
            strncpy(q->name, c->name, sizeof q->name - 1);
        }
        return 0;
    }
    case VIDIOC_QUERYMENU: {
        struct v4l2_querymenu *m = argument;
        if (m->id != V4L2_CID_EXPOSURE_AUTO || (m->index != V4L2_EXPOSURE_MANUAL && m->index != V4L2_EXPOSURE_APERTURE_PRIORITY)) return EINVAL;
        strcpy((char *)m->name, m->index == V4L2_EXPOSURE_MANUAL ? "Manual Mode" : "Aperture Priority Mode");
        return 0;
    }
    case VIDIOC_G_CTRL: case VIDIOC_S_CTRL: {
        struct v4l2_control *c = argument;
        if (request == VIDIOC_S_CTRL) return set_control(h->device, d, c->id, c->value);
        if (control(c->id) < 0) return EINVAL;
        c->value = d->value[control(c->id)];
        return 0;
    }
    case VIDIOC_G_EXT_CTRLS: case VIDIOC_S_EXT_CTRLS: {
        struct v4l2_ext_controls *all = argument;
        for (unsigned k = 0; k < all->count; k++) {
            struct v4l2_ext_control *c = &all->controls[k];
            int error = control(c->id) < 0 ? EINVAL : 0;
            if (!error && request == VIDIOC_S_EXT_CTRLS) error = set_control(h->device, d, c->id, c->value);
            else if (!error) c->value = d->value[control(c->id)];
            if (error) return all->error_idx = k, error;
        }
        return 0;
    }
    }
    return ENOTTY;
}

static int call(struct handle *h, unsigned long request, void *argument) {
    pthread_mutex_lock(&lock);
    int error = answer(h, (unsigned)request, argument);
    pthread_mutex_unlock(&lock);
    if (error) errno = error;
    return error ? -1 : 0;
}

static int open_device(int number) {
    struct settings s;
    if (number >= DEVICES || !read_settings(number, &s)) return errno = ENOENT, -1;
    if (!strcmp(s.state, "denied")) return errno = EACCES, -1;
    pthread_mutex_lock(&lock);
    struct handle *h = NULL;
    for (int i = 0; i < n_handles && !h; i++) if (handles[i].fd < 0) h = &handles[i];
    if (!h && n_handles < HANDLES) h = &handles[n_handles++];
    int fd = h ? memfd_create("fakecam", MFD_CLOEXEC) : -1;
    if (h) {
        memset(h, 0, sizeof *h);
        h->fd = fd, h->device = number;
        first_look(&devices[number], &s);
    } else errno = EMFILE;
    pthread_mutex_unlock(&lock);
    return fd;
}

static int any_open(const char *path, int flags, mode_t mode) {
    const char *sys = "/sys/class/video4linux/";
    char other[512], *end;
    if (directory() && path && !strncmp(path, "/dev/video", 10)) {
        long number = strtol(path + 10, &end, 10);
        if (end != path + 10 && !*end) return open_device((int)number);
    }
    if (directory() && path && !strncmp(path, sys, strlen(sys))) {
        snprintf(other, sizeof other, "%s/names/%s", directory(), path + strlen(sys));
        if ((end = strrchr(other, '/')) && !strcmp(end, "/name")) *end = 0;
        path = other;
    }
    return real_open(path, flags, mode);
}

/* The names that the program's libraries call. v4l issues its ioctls through syscall(). */
long syscall(long number, ...) {
    va_list v;
    long a[6];
    va_start(v, number);
    for (int i = 0; i < 6; i++) a[i] = va_arg(v, long);
    va_end(v);
    if (number == SYS_ioctl && directory()) {
        struct handle *h = locked_handle_of((int)a[0]);
        if (h) return call(h, (unsigned long)a[1], (void *)a[2]);
    }
    REAL(syscall, long (*)(long, ...));
    return real(number, a[0], a[1], a[2], a[3], a[4], a[5]);
}
int ioctl(int fd, unsigned long request, ...) {
    va_list v;
    va_start(v, request);
    void *argument = va_arg(v, void *);
    va_end(v);
    struct handle *h = locked_handle_of(fd);
    if (h) return call(h, request, argument);
    REAL(ioctl, int (*)(int, unsigned long, ...));
    return real(fd, request, argument);
}
int open(const char *path, int flags, ...) {
    va_list v;
    va_start(v, flags);
    mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(v, mode_t) : 0;
    va_end(v);
    return any_open(path, flags, mode);
}
int open64(const char *path, int flags, ...) {
    va_list v;
    va_start(v, flags);
    mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(v, mode_t) : 0;
    va_end(v);
    return any_open(path, flags, mode);
}
int close(int fd) {
    pthread_mutex_lock(&lock);
    struct handle *h = handle_of(fd);
    if (h) {
        if (devices[h->device].owner == (int)(h - handles)) devices[h->device].owner = -1;
        h->fd = -1;
    }
    pthread_mutex_unlock(&lock);
    return real_close(fd);
}
DIR *opendir(const char *path) {
    REAL(opendir, DIR *(*)(const char *));
    return real(directory() && !strcmp(path, "/dev") ? directory() : path);
}
/* The C library declares that poll only writes what it polls, which is not so. */
#pragma GCC diagnostic ignored "-Wmaybe-uninitialized"
int poll(struct pollfd *polled, nfds_t n, int milliseconds) {
    struct handle *h = n == 1 ? locked_handle_of(polled->fd) : NULL;
    if (!h) {
        REAL(poll, int (*)(struct pollfd *, nfds_t, int));
        return real(polled, n, milliseconds);
    }
    for (long waited = 0;; waited += 2) {
        struct settings s;
        struct timespec pause = {0, 2000000};
        pthread_mutex_lock(&lock);
        int there = !h->dead && read_settings(h->device, &s);
        if (!there) h->dead = 1;
        int ready = there && h->streaming && h->first != h->last && strcmp(s.state, "stall") && is_due(h);
        int broken = !there || !h->streaming;
        pthread_mutex_unlock(&lock);
        if (broken || ready) return polled->revents = broken ? POLLERR | POLLHUP : POLLIN, 1;
        if (milliseconds >= 0 && waited >= milliseconds) return polled->revents = 0, 0;
        if (nanosleep(&pause, NULL)) return -1; /* EINTR, as the kernel's */
    }
}
