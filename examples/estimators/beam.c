/* Bearing of the one ping in a recording by a steered beam: an external estimator in C99 without any library.
 *
 *   cc -std=c99 -O2 -o beam beam.c -lm
 *   ./beam RECORDING.wav SIDECAR.json      prints one line of JSON; the README beside it tells the protocol
 *
 * The same method as beam.py. Of JSON it reads no more than a sidecar needs: keys by their names, numbers after them.
 */
#include <complex.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MOST_CHANNELS 64
static const double PI = 3.14159265358979323846;
static const double PIECE_CYCLES = 4;        /* of the carrier; short, since echoes soon follow the direct sound */
static const double AFTER_CYCLES = 3;        /* the piece used ends so much later than the first that has risen */
static const double RISE = 6.0;              /* power over that of the noise at which a ping has begun */
static const double FIFTH_OF_NOISE = 0.223;  /* of the mean: a fifth of exponentially distributed powers lies below */

typedef struct {
    int n;
    double frequency_hz, rate_hz, speed_m_s, skew_sd_s;
    double place_m[MOST_CHANNELS][3], tolerance_m[MOST_CHANNELS], later_s[MOST_CHANNELS];
} Notes;

static void stop(const char *why) {
    fprintf(stderr, "beam: %s\n", why);
    exit(1);
}

static unsigned char *read_file(const char *name, size_t *size) {
    FILE *file = fopen(name, "rb");
    if (!file) stop("a file cannot be opened");
    size_t room = 1 << 16, used = 0, got;
    unsigned char *bytes = malloc(room + 1);
    while (bytes && (got = fread(bytes + used, 1, room - used, file)) > 0) {
        used += got;
        if (used == room) bytes = realloc(bytes, (room *= 2) + 1);
    }
    fclose(file);
    if (!bytes) stop("too little memory");
    bytes[used] = 0;
    *size = used;
    return bytes;
}

/* ---- the sidecar ---- */

/* The value of the first key of that name before `end`; NULL if there is none. */
static const char *value_of(const char *text, const char *end, const char *key) {
    char quoted[64];
    snprintf(quoted, sizeof quoted, "\"%s\"", key);
    const char *found = strstr(text, quoted);
    if (!found || found >= end) return NULL;
    found += strlen(quoted);
    return found + strspn(found, " \t\r\n:");
}

static double number_of(const char *text, const char *end, const char *key, double otherwise) {
    const char *value = value_of(text, end, key);
    return value ? strtod(value, NULL) : otherwise;
}

/* Just after the bracket or brace that closes the one at `open`. */
static const char *closing(const char *open) {
    int depth = 0;
    for (const char *p = open; *p; p++) {
        if (*p == '"') {
            while (*++p && *p != '"')
                if (*p == '\\' && p[1]) p++;
            if (!*p) break;
        } else if (*p == '[' || *p == '{') {
            depth++;
        } else if ((*p == ']' || *p == '}') && --depth == 0) {
            return p + 1;
        }
    }
    stop("the sidecar is cut short");
    return open;
}

static void read_sidecar(const char *text, Notes *notes) {
    const char *end = text + strlen(text);
    const char *channels = value_of(text, end, "channels"), *pingers = value_of(text, end, "pingers");
    if (!channels || !pingers) stop("the sidecar names no channels or no pingers");
    notes->frequency_hz = number_of(pingers, closing(pingers), "frequency_hz", 0);
    notes->rate_hz = number_of(text, end, "sample_rate_hz", 0);
    notes->speed_m_s = number_of(text, end, "sound_speed_m_s", 0);
    notes->skew_sd_s = number_of(text, end, "skew_sd_s", 0);
    if (!(notes->frequency_hz > 0 && notes->rate_hz > 2 * notes->frequency_hz && notes->speed_m_s > 0))
        stop("the sidecar gives no usable frequency, sample rate or sound speed");
    const char *last = closing(channels), *entry = channels;
    for (notes->n = 0; (entry = strchr(entry, '{')) && entry < last; notes->n++) {
        if (notes->n == MOST_CHANNELS) stop("too many channels");
        const char *after = closing(entry), *place = value_of(entry, after, "position_m");
        if (!place || *place != '[') stop("a channel has no position_m");
        for (int axis = 0; axis < 3; axis++) {
            char *next;
            notes->place_m[notes->n][axis] = strtod(place + 1, &next);
            place = next + strspn(next, " \t\r\n");
        }
        notes->tolerance_m[notes->n] = number_of(entry, after, "tolerance_m", 0);
        notes->later_s[notes->n] = number_of(entry, after, "sampling_offset_s", 0);
        entry = after;
    }
}

/* ---- the recording ---- */

static unsigned long little(const unsigned char *p, int bytes) {
    unsigned long value = 0;
    while (bytes--) value = value << 8 | p[bytes];
    return value;
}

/* 16-bit samples, one channel after another within each moment. */
static const unsigned char *samples_of(const unsigned char *wav, size_t size, int n_channels, size_t *n_samples) {
    if (size < 12 || memcmp(wav, "RIFF", 4) || memcmp(wav + 8, "WAVE", 4)) stop("not a WAV file");
    int known = 0;
    for (size_t at = 12; at + 8 <= size;) {
        unsigned long length = little(wav + at + 4, 4);
        const unsigned char *chunk = wav + at + 8;
        if (length > size - at - 8) stop("the recording is cut short");
        if (!memcmp(wav + at, "fmt ", 4) && length >= 16)
            known = little(chunk + 2, 2) == (unsigned)n_channels && little(chunk + 14, 2) == 16;
        if (!memcmp(wav + at, "data", 4)) {
            if (!known) stop("expected 16-bit samples of as many channels as the sidecar names");
            *n_samples = length / (2 * n_channels);
            return chunk;
        }
        at += 8 + length + length % 2;
    }
    stop("the recording holds no samples");
    return wav;
}

/* ---- the estimate ---- */

static int by_size(const void *a, const void *b) {
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Unit vector to the pinger: x forward, y starboard, z down. */
static void toward(double bearing, double depression, double unit[3]) {
    unit[0] = cos(depression) * cos(bearing);
    unit[1] = cos(depression) * sin(bearing);
    unit[2] = sin(depression);
}

static double along(const double place[3], const double unit[3]) {
    return place[0] * unit[0] + place[1] * unit[1] + place[2] * unit[2];
}

/* How well a plane wave from there brings the channels into phase. */
static double beam(int n, double complex *phase, double place[][3], double bearing, double depression) {
    double unit[3];
    double complex sum = 0;
    toward(bearing, depression, unit);
    for (int k = 0; k < n; k++) sum += phase[k] * cexp(-I * along(place[k], unit));
    return cabs(sum);
}

/* The best direction on a grid that is made six times as fine, three times over. */
static void steer(int n, double complex *phase, double place[][3], double *bearing, double *depression) {
    double step = 3 * PI / 180, b0 = 0, d0 = 0, best_b = 0, best_d = 0;
    int wide_b = 60, wide_d = 30;
    for (int round = 0; round < 4; round++, step /= 6, wide_b = wide_d = 6) {
        double best = -1;
        b0 = best_b, d0 = best_d;
        for (int i = -wide_b; i <= wide_b; i++)
            for (int j = -wide_d; j <= wide_d; j++) {
                double value = beam(n, phase, place, b0 + i * step, d0 + j * step);
                if (value > best) best = value, best_b = b0 + i * step, best_d = d0 + j * step;
            }
    }
    *bearing = best_b;
    *depression = best_d;
}

/* Standard deviation of the bearing [rad]; where the depression is not observed beside it, that with it known. */
static double bearing_sd(int n, double place[][3], double bearing, double depression, const double *variance) {
    double by_b[3] = {-cos(depression) * sin(bearing), cos(depression) * cos(bearing), 0};
    double by_d[3] = {-sin(depression) * cos(bearing), -sin(depression) * sin(bearing), cos(depression)};
    double w = 0, b = 0, d = 0, bb = 0, bd = 0, dd = 0;
    for (int k = 0; k < n; k++) {
        double weight = 1 / variance[k], x = along(place[k], by_b), y = along(place[k], by_d);
        w += weight, b += weight * x, d += weight * y;
        bb += weight * x * x, bd += weight * x * y, dd += weight * y * y;
    }
    bb -= b * b / w, bd -= b * d / w, dd -= d * d / w; /* the phase that all channels share is not known */
    double determinant = bb * dd - bd * bd;
    return determinant > 1e-9 * bb * dd ? sqrt(dd / determinant) : sqrt(1 / bb);
}

int main(int count, char **arguments) {
    if (count < 3) stop("expected a recording and its sidecar");
    size_t size, n_samples;
    Notes notes;
    read_sidecar((const char *)read_file(arguments[count - 1], &size), &notes);
    const unsigned char *wav = read_file(arguments[count - 2], &size);
    int n = notes.n;
    if (n < 2) stop("a bearing needs two channels");
    const unsigned char *sample = samples_of(wav, size, n, &n_samples);

    /* Carrier of every piece, its ends weighted down, and the power of the pieces. */
    double per_sample = notes.frequency_hz / notes.rate_hz;
    size_t length = (size_t)fmax(rint(PIECE_CYCLES / per_sample), 4);
    if (n_samples < 2 * length) stop("the recording is too short");
    size_t pieces = n_samples - length + 1;
    double complex *carrier = calloc(pieces * n, sizeof *carrier), *kernel = malloc(length * sizeof *kernel);
    double *power = calloc(pieces, sizeof *power), *sorted = malloc(pieces * sizeof *sorted);
    if (!carrier || !kernel || !power || !sorted) stop("too little memory");
    for (size_t j = 0; j < length; j++)
        kernel[j] = (1 - cos(2 * PI * (j + 1) / (length + 1))) / (length + 1) * cexp(-2 * I * PI * per_sample * j);
    for (size_t i = 0; i < pieces; i++) {
        for (size_t j = 0; j < length; j++)
            for (int k = 0; k < n; k++) {
                long counts = (long)little(sample + 2 * ((i + j) * n + k), 2);
                carrier[i * n + k] += kernel[j] * (double)(counts < 32768 ? counts : counts - 65536);
            }
        for (int k = 0; k < n; k++) power[i] += creal(carrier[i * n + k] * conj(carrier[i * n + k])) / n;
        sorted[i] = power[i];
    }
    qsort(sorted, pieces, sizeof *sorted, by_size);
    double noise = sorted[pieces / 5] / FIFTH_OF_NOISE;
    size_t risen = 0;
    while (risen < pieces && !(power[risen] >= RISE * noise)) risen++;
    if (risen == pieces) {
        printf("{\"refused\": \"no ping rises out of the noise\"}\n");
        return 0;
    }
    size_t used = risen + (size_t)rint(AFTER_CYCLES / per_sample);
    if (used >= pieces) used = pieces - 1;

    double wave_number = 2 * PI * notes.frequency_hz / notes.speed_m_s, middle[3] = {0, 0, 0};
    double place[MOST_CHANNELS][3], variance[MOST_CHANNELS];
    double complex phase[MOST_CHANNELS];
    for (int k = 0; k < n; k++)
        for (int axis = 0; axis < 3; axis++) middle[axis] += notes.place_m[k][axis] / n;
    for (int k = 0; k < n; k++) {
        double complex amplitude = carrier[used * n + k];
        double mounting = wave_number * notes.tolerance_m[k], skew = 2 * PI * notes.frequency_hz * notes.skew_sd_s;
        double size_squared = fmax(creal(amplitude * conj(amplitude)), 1e-30);
        /* A multiplexed channel is sampled later, when the carrier has turned further. */
        phase[k] = amplitude / sqrt(size_squared) * cexp(-2 * I * PI * notes.frequency_hz * notes.later_s[k]);
        variance[k] = noise / (2 * size_squared) + mounting * mounting + skew * skew + 1e-12;
        for (int axis = 0; axis < 3; axis++) place[k][axis] = wave_number * (notes.place_m[k][axis] - middle[axis]);
    }
    double bearing, depression, degrees = 180 / PI;
    steer(n, phase, place, &bearing, &depression);
    double sd = bearing_sd(n, place, bearing, depression, variance);
    printf("{\"bearing_deg\": %.4f, \"depression_deg\": %.4f", bearing * degrees, depression * degrees);
    if (isfinite(sd)) printf(", \"bearing_sd_deg\": %.4f", sd * degrees);
    printf("}\n");
    return 0;
}
