/*
 * One signal written in many ways. Every form must give the same band rms as the signal itself:
 * within 0.1 dB where rows pass as they are, 0.3 dB through jitter and resampling.
 * The forms are those of logs met in the field (header lines, clocks); the files are our own.
 */
#include "core/alloc.h"
#include "log_help.h"
#include "stillmount/number.h"
#include "stillmount/stats.h"

static const double G0 = 9.80665;
static const double PI = 3.14159265358979323846;
enum { TONES = 24, ROWS = 12000 };
static const double RATE = 1000;

typedef struct signal {
    double hz[TONES];
    double amp[6][TONES];
    double phase[6][TONES];
    double dc[6];
} signal;

static signal the_signal;

/* Tones from 6 to 195 Hz, gravity on z, a little gyro bias. SI. */
static void make_signal(signal *s)
{
    sm_rng r = sm_rng_seed(11);
    for (int k = 0; k < TONES; k++) {
        s->hz[k] = 6.13 + 189 * (double)k / (TONES - 1);
        for (int c = 0; c < 6; c++) {
            s->amp[c][k] = (c < 3 ? 0.6 : 0.02) * (1 + 0.5 * sm_rng_normal(&r) * 0.3);
            s->phase[c][k] = 2 * PI * (double)(sm_rng_next(&r) % 1000) / 1000;
        }
    }
    for (int c = 0; c < 6; c++) {
        s->dc[c] = c == 2 ? G0 : c < 3 ? 0.2 : 0.003;
    }
}

static double value(int c, double t)
{
    const signal *s = &the_signal;
    double v = s->dc[c];
    for (int k = 0; k < TONES; k++) {
        v += s->amp[c][k] * cos(2 * PI * s->hz[k] * t + s->phase[c][k]);
    }
    return v;
}

static double true_rms(int c)
{
    double sum = 0;
    for (int k = 0; k < TONES; k++) {
        sum += the_signal.amp[c][k] * the_signal.amp[c][k] / 2;
    }
    return sqrt(sum);
}

/* AC rms under a Hann window over everything finite: the band rms, as all tones lie inside. */
static double ac_rms(const double *x, size_t n)
{
    double w_sum = 0;
    double mean = 0;
    double square = 0;
    for (int pass = 0; pass < 2; pass++) {
        for (size_t i = 0; i < n; i++) {
            double w = 0.5 - 0.5 * cos(2 * PI * ((double)i + 0.5) / (double)n);
            if (isnan(x[i])) {
                continue;
            }
            if (pass == 0) {
                w_sum += w;
                mean += w * x[i];
            } else {
                square += w * (x[i] - mean / w_sum) * (x[i] - mean / w_sum);
            }
        }
    }
    return sqrt(square / w_sum);
}

/* How to write a log. */
typedef struct form {
    const char *what;
    const char *head;     /* preamble and header, ends with a line end */
    const char *row;      /* letters: t time, x y z accel, p q r gyro, k counter, m milliseconds of
                             the second, D date, i interval, _ empty, 0 a zero; rest, and what is
                             between two backquotes, as it is */
    const char *channels; /* channels file, or NULL */
    double time_scale;    /* stamp = (t - offset) * scale */
    double time_offset_s;
    int time_digits;
    double accel_scale; /* SI to the log's unit */
    double gyro_scale;
    char decimal;
    const char *eol;
    const char *tail; /* behind the last row; NULL = nothing */
    double tol_db;
    void (*stamp)(double *t, size_t n, double *x[6]); /* bends the clock; may set values */
} form;

static double stamps[ROWS];
static double values[6][ROWS];

static void add_number(sm_text *t, double v, int digits, char decimal)
{
    char buf[64];
    (void)snprintf(buf, sizeof buf, "%.*f", digits, v);
    for (char *c = buf; *c; c++) {
        *c = *c == '.' ? decimal : *c;
    }
    sm_text_add(t, buf);
}

static void add_row(sm_text *t, const form *f, size_t i)
{
    double v[6];
    for (int c = 0; c < 6; c++) {
        v[c] = values[c][i] * (c < 3 ? f->accel_scale : f->gyro_scale);
    }
    double clock = stamps[i] - f->time_offset_s;
    bool plain = false;
    for (const char *s = f->row; *s; s++) {
        plain ^= *s == '`';
        switch (plain ? ' ' : *s) {
        case '`':
            break;
        case 't':
            add_number(t, clock * f->time_scale, f->time_digits, f->decimal);
            break;
        case 'x':
        case 'y':
        case 'z':
            add_number(t, v[*s - 'x'], 6, f->decimal);
            break;
        case 'p':
        case 'q':
        case 'r':
            add_number(t, v[3 + *s - 'p'], 7, f->decimal);
            break;
        case 'E':
            sm_text_addf(t, "%.6e", v[0]);
            break;
        case 'k':
            sm_text_addf(t, "%zu", i);
            break;
        case 'K':
            sm_text_addf(t, "%zu", i % 65536);
            break;
        case 'i':
            add_number(t, i ? (stamps[i] - stamps[i - 1]) * f->time_scale : 0, f->time_digits,
                       f->decimal);
            break;
        case 'D':
        case 'S': {
            double whole = floor(stamps[i] + 3600 * 14 + 60 * 40 + 50);
            int s_day = (int)whole;
            sm_text_addf(t, "%02d:%02d:%02d", s_day / 3600, s_day / 60 % 60, s_day % 60);
            if (*s == 'D') {
                sm_text_addf(t, ".%06.0f", 1e6 * (stamps[i] + 3600 * 14 + 60 * 40 + 50 - whole));
            }
            break;
        }
        case 'm':
            add_number(t, 1000 * (stamps[i] - floor(stamps[i])), 3, '.');
            break;
        case '_':
            break;
        default:
            sm_text_add_n(t, s, *s != '`');
        }
    }
    sm_text_add(t, f->eol ? f->eol : "\n");
}

static void fill(const form *f)
{
    for (size_t i = 0; i < ROWS; i++) {
        stamps[i] = (double)i / RATE;
    }
    double *x[6];
    for (int c = 0; c < 6; c++) {
        x[c] = values[c];
        for (size_t i = 0; i < ROWS; i++) {
            values[c][i] = value(c, stamps[i]);
        }
    }
    if (f->stamp) {
        f->stamp(stamps, ROWS, x);
    }
}

static void jitter_true(double *t, size_t n, double *x[6])
{
    sm_rng r = sm_rng_seed(3);
    for (size_t i = 0; i < n; i++) {
        t[i] += 0.00015 * sm_rng_normal(&r);
        for (int c = 0; c < 6; c++) {
            x[c][i] = value(c, t[i]);
        }
    }
}

static void jitter_walk(double *t, size_t n, double *x[6])
{
    sm_rng r = sm_rng_seed(4);
    double at = 0;
    for (size_t i = 0; i < n; i++) {
        t[i] = at;
        at += 0.001 * (1 + 0.12 * sm_rng_normal(&r));
        for (int c = 0; c < 6; c++) {
            x[c][i] = value(c, t[i]);
        }
    }
}

static void jitter_late(double *t, size_t n, double *x[6])
{
    (void)x;
    sm_rng r = sm_rng_seed(5);
    double last = -1;
    for (size_t i = 0; i < n; i++) {
        double u = ((double)(sm_rng_next(&r) >> 11) + 1) * 0x1p-53;
        t[i] = fmax(last, t[i] - 0.0006 * log(u)); /* latency never overtakes */
        last = t[i];
    }
}

static void bursts(double *t, size_t n, double *x[6])
{
    (void)x;
    sm_rng r = sm_rng_seed(6);
    for (size_t i = 0; i < n; i += 32) {
        double u = ((double)(sm_rng_next(&r) >> 11) + 1) * 0x1p-53;
        double stamp = (double)(i + 31) / RATE - 0.002 * log(u);
        for (size_t k = i; k < n && k < i + 32; k++) {
            t[k] = stamp;
        }
    }
}

static void rounded_ms(double *t, size_t n, double *x[6])
{
    /* the sampling is a little slow, stamps are cut to whole milliseconds */
    for (size_t i = 0; i < n; i++) {
        double at = (double)i * 0.00137;
        for (int c = 0; c < 6; c++) {
            x[c][i] = value(c, at);
        }
        t[i] = floor(at * 1000) / 1000;
    }
}

static void swapped(double *t, size_t n, double *x[6])
{
    for (size_t i = 700; i + 1 < n; i += 1500) {
        double swap = t[i];
        t[i] = t[i + 1];
        t[i + 1] = swap;
        for (int c = 0; c < 6; c++) {
            swap = x[c][i];
            x[c][i] = x[c][i + 1];
            x[c][i + 1] = swap;
        }
    }
}

static void from_minus(double *t, size_t n, double *x[6])
{
    (void)x;
    for (size_t i = 0; i < n; i++) {
        t[i] -= 3;
    }
}

#define DPS (180 / 3.14159265358979323846)
#define PLAIN .decimal = '.', .tol_db = 0.1
#define SECONDS .time_scale = 1, .time_digits = 6
#define G_DPS .accel_scale = 1 / 9.80665, .gyro_scale = DPS
#define SI .accel_scale = 1, .gyro_scale = 1

/* For rows without names. */
#define BY_NUMBER                                                                                  \
    "[column 1]\nrole = time\nunit = s\n[column 2]\nrole = accel.x\nunit = g\n[column 3]\nrole = " \
    "accel.y\nunit = g\n[column 4]\nrole = accel.z\nunit = g\n[column 5]\nrole = gyro.x\nunit = "  \
    "deg/s\n[column 6]\nrole = gyro.y\nunit = deg/s\n[column 7]\nrole = gyro.z\nunit = deg/s\n"

static const form forms[] = {
    {"plain", "time_s,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n", "t,x,y,z,p,q,r", NULL, SECONDS,
     .time_offset_s = 0, G_DPS, PLAIN, .eol = NULL},
    {"BOM, CRLF, brackets",
     "\xef\xbb\xbfTime (s),Accel X [m/s^2],Accel Y [m/s^2],Accel Z [m/s^2],Gyro X (rad/s),Gyro Y "
     "(rad/s),Gyro Z (rad/s)\r\n",
     "t,x,y,z,p,q,r", NULL, SECONDS, SI, PLAIN, .eol = "\r\n"},
    {"superscript and degree sign",
     "t (ms),Acc_X (m/s\xc2\xb2),Acc_Y (m/s\xc2\xb2),Acc_Z (m/s\xc2\xb2),Gyr_X (\xc2\xb0/s),Gyr_Y "
     "(\xc2\xb0/s),Gyr_Z (\xc2\xb0/s)\n",
     "t,x,y,z,p,q,r", NULL, .time_scale = 1e3, .time_digits = 3, .accel_scale = 1,
     .gyro_scale = DPS, PLAIN},
    {"micro sign", "t (\xc2\xb5s),ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n", "t,x,y,z,p,q,r", NULL,
     .time_scale = 1e6, .time_digits = 0, G_DPS, PLAIN},
    {"semicolons, decimal comma", "time_s;ax_g;ay_g;az_g;gx_dps;gy_dps;gz_dps\n", "t;x;y;z;p;q;r",
     NULL, SECONDS, G_DPS, .decimal = ',', .tol_db = 0.1},
    {"semicolon with trailing blanks", "time_s ;ax_g ;ay_g ;az_g ;gx_dps ;gy_dps ;gz_dps ;\n",
     "t ;x ;y ;z ;p ;q ;r ;", NULL, SECONDS, G_DPS, PLAIN},
    {"tabs, trailing tab, decimal comma", "time_s\tax_g\tay_g\taz_g\tgx_dps\tgy_dps\tgz_dps\t\n",
     "t\tx\ty\tz\tp\tq\tr\t", NULL, SECONDS, G_DPS, .decimal = ',', .tol_db = 0.1},
    {"runs of blanks", "time_s ax_g   ay_g az_g gx_dps gy_dps gz_dps\n", "  t   x  y  z    p q r  ",
     NULL, SECONDS, G_DPS, PLAIN},
    {"quoted names",
     "\"Time (s)\",\"Accelerometer x (m/s^2)\",\"Accelerometer y (m/s^2)\",\"Accelerometer z "
     "(m/s^2)\",\"Gyroscope x (rad/s)\",\"Gyroscope y (rad/s)\",\"Gyroscope z (rad/s)\"\n",
     "t,x,y,z,p,q,r", NULL, SECONDS, SI, PLAIN},
    {"quoted numbers", "time_s,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n",
     "\"t\",\"x\",\"y\",\"z\",\"p\",\"q\",\"r\"", NULL, SECONDS, G_DPS, PLAIN},
    {"units row", "time,ax,ay,az,gx,gy,gz\ns,g,g,g,deg/s,deg/s,deg/s\n", "t,x,y,z,p,q,r", NULL,
     SECONDS, G_DPS, PLAIN},
    {"units row in brackets", "time,ax,ay,az,gx,gy,gz\n(s),(g),(g),(g),(deg/s),(deg/s),(deg/s)\n",
     "t,x,y,z,p,q,r", NULL, SECONDS, G_DPS, PLAIN},
    {"counter, rate in a comment",
     "# my logger\n# Config: data_rate = 1000.0 Hz, filter = 200 "
     "Hz\ncount,a_x,a_y,a_z,g_x,g_y,g_z\n",
     "k,x,y,z,p,q,r",
     "[column a_x]\nunit = g\n[column a_y]\nunit = g\n[column a_z]\nunit = g\n[column g_x]\nunit = "
     "deg/s\n[column g_y]\nunit = deg/s\n[column g_z]\nunit = deg/s\n",
     SECONDS, G_DPS, PLAIN, .eol = "\r\n"},
    {"counter, rate in the channels file",
     "Packet number,Gyroscope X (deg/s),Gyroscope Y (deg/s),Gyroscope Z (deg/s),Accelerometer X "
     "(g),Accelerometer Y (g),Accelerometer Z (g)\n",
     "k,p,q,r,x,y,z", "[log]\nrate_hz = 1000\n", SECONDS, G_DPS, PLAIN},
    {"// comments, trailing tab",
     "// Start Time: 0\n// Sample rate: 1000.0Hz\n// Firmware Version: "
     "2.5.1\nCounter\tAcc_X\tAcc_Y\tAcc_Z\tGyr_X\tGyr_Y\tGyr_Z\t\n",
     "K\tx\ty\tz\tp\tq\tr\t",
     "[column Acc_X]\nunit = m/s^2\n[column Acc_Y]\nunit = m/s^2\n[column Acc_Z]\nunit = "
     "m/s^2\n[column Gyr_X]\nunit = deg/s\n[column Gyr_Y]\nunit = deg/s\n[column Gyr_Z]\nunit = "
     "deg/s\n",
     SECONDS, .accel_scale = 1, .gyro_scale = DPS, PLAIN},
    {"format string as header",
     "     # Data format: "
     "\"%int(ChipTimeUS),%float(RawGyroX),%float(RawGyroY),%float(RawGyroZ),%float(RawAccX),%float("
     "RawAccY),%float(RawAccZ)\"\n",
     "t,p,q,r,x,y,z",
     "[column RawGyroX]\nunit = deg/s\n[column RawGyroY]\nunit = deg/s\n[column RawGyroZ]\nunit = "
     "deg/s\n[column RawAccX]\nunit = g\n[column RawAccY]\nunit = g\n[column RawAccZ]\nunit = g\n",
     .time_scale = 1e6, .time_digits = 0, .time_offset_s = -77, G_DPS, PLAIN},
    {"preamble of words",
     "FILE_INFO\nListSeparator=comma\nDecimalSeparator=period\nSESSION_INFO\nDATA_START\nGPS "
     "TFlags,GPS Week,GPS TOW,Roll [x800C],X Accel (g),Y Accel (g),Z Accel (g),X Gyro (deg/s),Y "
     "Gyro (deg/s),Z Gyro (deg/s)\n",
     "1,2100,t,0.5,x,y,z,p,q,r", NULL, SECONDS, .time_offset_s = -345600, G_DPS, PLAIN},
    {"two-block header",
     "Measurement\t\nWriter_Version\t2\nSeparator\tTab\n***End_of_Header***"
     "\t\n\t\nChannels\t6\t\t\nSamples\t12000\t12000\t12000\t12000\t12000\t12000\nX_"
     "Dimension\tTime\tTime\nDelta_X\t1.0E-3\t1.0E-3\t1.0E-3\t1.0E-3\t1.0E-3\t1.0E-3\n***End_of_"
     "Header***\t\t\t\nX_Value\t   Accel X (g)\t  Accel Y (g)\tAccel Z (g)\tGyro X (dps)\tGyro Y "
     "(dps)\tGyro Z (dps)\tComment\n",
     "t\tx\ty\tz\tp\tq\tr", NULL, SECONDS, G_DPS, PLAIN, .eol = "\r\n"},
    {"no header, with a channels file", "", "t;x;y;z;p;q;r",
     "[column 1]\nrole = time\nunit = s\n[column 2]\nrole = accel.x\nunit = g\n[column 3]\nrole = "
     "accel.y\nunit = g\n[column 4]\nrole = accel.z\nunit = g\n[column 5]\nrole = gyro.x\nunit = "
     "deg/s\n[column 6]\nrole = gyro.y\nunit = deg/s\n[column 7]\nrole = gyro.z\nunit = deg/s\n",
     SECONDS, G_DPS, PLAIN},
    {"nanoseconds since 1970", "time,seconds_elapsed,z,y,x\n", "t,0,z,y,x",
     "[column x]\nrole = accel.x\nunit = m/s^2\n[column y]\nrole = accel.y\nunit = m/s^2\n[column "
     "z]\nrole = accel.z\nunit = m/s^2\n[column seconds_elapsed]\nrole = ignore\n",
     .time_scale = 1e9, .time_digits = 0, .time_offset_s = -1760565906, SI, PLAIN},
    {"milliseconds, unit from the steps", "timestamp,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n",
     "t,x,y,z,p,q,r", NULL, .time_scale = 1e3, .time_digits = 0, .time_offset_s = -1756251054,
     G_DPS, PLAIN},
    {"interval in ns", "dt_ns,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n", "i,x,y,z,p,q,r", NULL,
     .time_scale = 1e9, .time_digits = 8, G_DPS, PLAIN},
    {"date and time", "Timestamp,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n", "2020-01-11 D,x,y,z,p,q,r",
     NULL, SECONDS, G_DPS, PLAIN},
    {"ISO 8601 with zone", "Timestamp,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n",
     "2020-01-11TD+01:00,x,y,z,p,q,r", NULL, SECONDS, G_DPS, PLAIN},
    {"date in quotes, tabs, no header", "", "'12-Jan-2022 D'\tx\ty\tz",
     "[column 2]\nrole = accel.x\nunit = m/s^2\n[column 3]\nrole = accel.y\nunit = m/s^2\n[column "
     "4]\nrole = accel.z\nunit = m/s^2\n",
     SECONDS, SI, PLAIN},
    {"date plus milliseconds", "Timestamp,Milliseconds,X (m/s^2),Y (m/s^2),Z (m/s^2)\n",
     "2020-01-11 S,m,x,y,z", NULL, SECONDS, SI, PLAIN},
    {"two header rows",
     "Time (s),Reference,,,IMU Acceleration (g),,,IMU Gyroscope (deg/s),,\n,W,X,Y,X,Y,Z,X,Y,Z\n",
     "t,1,0,0,x,y,z,p,q,r",
     "[column IMU Acceleration (g) X]\nunit = g\n[column IMU Acceleration (g) Y]\nunit = "
     "g\n[column IMU Acceleration (g) Z]\nunit = g\n[column IMU Gyroscope (deg/s) X]\nunit = "
     "deg/s\n[column IMU Gyroscope (deg/s) Y]\nunit = deg/s\n[column IMU Gyroscope (deg/s) "
     "Z]\nunit = deg/s\n",
     SECONDS, G_DPS, PLAIN},
    {"two header rows, units in the upper one",
     "Time (s),IMU Acceleration (g),,,IMU Gyroscope [deg/s],,\n,X,Y,Z,X,Y,Z\n", "t,x,y,z,p,q,r",
     NULL, SECONDS, G_DPS, PLAIN},
    {"lines end with CR alone", "time_s,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\r", "t,x,y,z,p,q,r",
     NULL, SECONDS, G_DPS, PLAIN, .eol = "\r"},
    {"one byte per sign", /* ISO 8859-1: 0xb2 superscript two, 0xb0 degree, 0xb5 micro */
     "t (\xb5s),Acc_X (m/s\xb2),Acc_Y (m/s\xb2),Acc_Z (m/s\xb2),Gyr_X (\xb0/s),Gyr_Y "
     "(\xb0/s),Gyr_Z (\xb0/s)\n",
     "t,x,y,z,p,q,r", NULL, .time_scale = 1e6, .time_digits = 0, .accel_scale = 1,
     .gyro_scale = DPS, PLAIN},
    {"day and time of day", "Date,Time,X (m/s^2),Y (m/s^2),Z (m/s^2)\n", "2020-01-11,D,x,y,z", NULL,
     SECONDS, SI, PLAIN},
    {"a row per sensor sample, units and speed by tag", "t_s,sensor,x,y,z\n",
     "t`,accelerometer (g),`x,y,z\nt`,gyroscope (deg/s),`p,q,r\nt`,rpm,1800,,`", NULL, SECONDS,
     G_DPS, PLAIN},
    {"wide, with columns of no use",
     "state_letter,encoder_position,timestamp_seconds,raw_acceleration_x_gs,raw_acceleration_y_gs,"
     "raw_acceleration_z_gs,raw_angular_rate_x_deg_per_s,raw_angular_rate_y_deg_per_s,raw_angular_"
     "rate_z_deg_per_s,temperature,\n",
     "A,17,t,x,y,z,p,q,r,_,", NULL, SECONDS, G_DPS, PLAIN},
    {"exponents of three digits", "time_s,ax_m_s2\n", "t,E", NULL, SECONDS, SI, PLAIN},
    {"commented header, mm/s^2", "#time,accel_x (mm/s2),accel_y (mm/s2),accel_z (mm/s2)\n",
     "t,x,y,z", NULL, SECONDS, .accel_scale = 1000, .gyro_scale = 1, PLAIN},
    {"phone style", "time;gFx;gFy;gFz;TgF\n", "t;x;y;z;0", NULL, SECONDS, G_DPS, .decimal = ',',
     .tol_db = 0.1},
    {"autopilot style",
     "timestamp_us,gyro_rad[0],gyro_rad[1],gyro_rad[2],accelerometer_m_s2[0],accelerometer_m_s2[1],"
     "accelerometer_m_s2[2]\n",
     "t,p,q,r,x,y,z",
     "[column gyro_rad[0]]\nunit = rad/s\n[column gyro_rad[1]]\nunit = rad/s\n[column "
     "gyro_rad[2]]\nunit = rad/s\n",
     .time_scale = 1e6, .time_digits = 0, .time_offset_s = -112, SI, PLAIN},
    {"starts before zero", "time_s,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n", "t,x,y,z,p,q,r", NULL,
     SECONDS, G_DPS, PLAIN, .stamp = from_minus},
    {"swapped rows", "time_s,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n", "t,x,y,z,p,q,r", NULL, SECONDS,
     G_DPS, PLAIN, .stamp = swapped},
    {"late stamps", "time_s,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n", "t,x,y,z,p,q,r", NULL, SECONDS,
     G_DPS, .decimal = '.', .tol_db = 0.3, .stamp = jitter_late},
    {"bursts of 32", "time_s,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n", "t,x,y,z,p,q,r", NULL, SECONDS,
     G_DPS, .decimal = '.', .tol_db = 0.3, .stamp = bursts},
    {"stamps cut to ms", "t (ms),ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n", "t,x,y,z,p,q,r", NULL,
     .time_scale = 1e3, .time_digits = 0, G_DPS, .decimal = '.', .tol_db = 0.3,
     .stamp = rounded_ms},
    {"JSON, an array per line", "", "[t, x, y, z, p, q, r]", BY_NUMBER, SECONDS, G_DPS, PLAIN},
    {"JSON, names in the first array",
     "[\"time_s\",\"ax_g\",\"ay_g\",\"az_g\",\"gx_dps\",\"gy_dps\",\"gz_dps\"]\n",
     "[t,x,y,z,p,q,r],", NULL, SECONDS, G_DPS, PLAIN},
    {"JSON, an object per line", "",
     "{`\"time_s\": `t, `\"ax_g\": `x, `\"ay_g\": `y, `\"az_g\": `z, `\"note\": {\"a\": [0, 0]}, "
     "\"gx_dps\": `p, `\"gy_dps\": `q, `\"gz_dps\": `r}",
     NULL, SECONDS, G_DPS, PLAIN},
    {"JSON, objects in objects", "",
     "{`\"time_s\": `t, `\"accel\": {\"x\": `x, `\"y\": `y, `\"z\": `z}, `\"gyro\": {\"rate\": "
     "{\"x\": "
     "`p, `\"y\": `q, `\"z\": `r}}}",
     "[column accel.x]\nunit = g\n[column accel.y]\nunit = g\n[column accel.z]\nunit = g\n"
     "[column gyro.rate.x]\nunit = deg/s\n[column gyro.rate.y]\nunit = deg/s\n"
     "[column gyro.rate.z]\nunit = deg/s\n",
     SECONDS, G_DPS, PLAIN},
    {"JSON, arrays in objects", "", "{`\"a\": [`x, y, z], `\"time_s\": `t, `\"w\": [`p, q, r]}",
     "[column a.1]\nrole = accel.x\nunit = g\n[column a.2]\nrole = accel.y\nunit = g\n"
     "[column a.3]\nrole = accel.z\nunit = g\n[column w.1]\nrole = gyro.x\nunit = deg/s\n"
     "[column w.2]\nrole = gyro.y\nunit = deg/s\n[column w.3]\nrole = gyro.z\nunit = deg/s\n",
     SECONDS, G_DPS, PLAIN},
    {"JSON, arrays of three, units in their names", "",
     "{`\"time_s\": `t, `\"accel_g\": [`x, y, z], `\"gyro_dps\": [`p, q, r]}", NULL, SECONDS, G_DPS,
     PLAIN},
    {"JSON, objects in objects, units in their names", "",
     "{`\"time_s\": `t, `\"accel_g\": {\"x\": `x, `\"y\": `y, `\"z\": `z}, `\"gyro (deg/s)\": "
     "{\"x\": `p, `\"y\": `q, `\"z\": `r}}",
     NULL, SECONDS, G_DPS, PLAIN},
    {"JSON, an object per sensor sample", "",
     "{`\"sensor\": \"accelerometer\", \"time_s\": `t, `\"x\": `x, `\"y\": `y, `\"z\": `z}\n"
     "{`\"sensor\": \"gyroscope\", \"time_s\": `t, `\"x\": `p, `\"y\": `q, `\"z\": `r}",
     "[column accelerometer x]\nunit = g\n[column accelerometer y]\nunit = g\n"
     "[column accelerometer z]\nunit = g\n[column gyroscope x]\nunit = deg/s\n"
     "[column gyroscope y]\nunit = deg/s\n[column gyroscope z]\nunit = deg/s\n",
     SECONDS, G_DPS, PLAIN},
    {"JSON, all arrays in one", "[", "[t, x, y, z, p, q, r], ", BY_NUMBER, SECONDS, G_DPS, PLAIN,
     .eol = " ", .tail = "[13,0,0,0,0,0,0]]"},
    {"JSON, all objects in one, over lines", "[\n",
     "{`\"time_s\": `t,\n`\"ax_g\": `x,\n`\"az_g\": `z},", NULL, SECONDS, G_DPS, PLAIN,
     .tail = "{}]"},
    {"JSON, one array of one channel", "[", "x, ",
     "[log]\nrate_hz = 1000\n[column 1]\nrole = accel.x\nunit = g\n", SECONDS, G_DPS, PLAIN,
     .eol = " ", .tail = "null]\n"},
    {"numbered blocks", "", "t, 3,  x, y,  z, 4,  p, q, r\n",
     "[column accelerometer x]\nunit = m/s^2\n[column accelerometer y]\nunit = m/s^2\n[column "
     "accelerometer z]\nunit = m/s^2\n[column gyroscope x]\nunit = rad/s\n[column gyroscope "
     "y]\nunit = rad/s\n[column gyroscope z]\nunit = rad/s\n",
     SECONDS, .time_offset_s = -683432, SI, PLAIN},
    {"rate in the last line", "Sample,X,Y,Z\n", "k,x,y,z",
     "[column X]\nrole = accel.x\nunit = m/s^2\n[column Y]\nrole = accel.y\nunit = m/s^2\n[column "
     "Z]\nrole = accel.z\nunit = m/s^2\n",
     SECONDS, SI, PLAIN, .tail = "Rate 1000, overflows 0\n"},
    {"true jitter", "time_s,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n", "t,x,y,z,p,q,r", NULL, SECONDS,
     G_DPS, .decimal = '.', .tol_db = 0.3, .stamp = jitter_true},
    {"irregular timer", "time_s,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n", "t,x,y,z,p,q,r", NULL,
     SECONDS, G_DPS, .decimal = '.', .tol_db = 0.3, .stamp = jitter_walk},
};

static int axis_index(const char *name)
{
    int axis = name[strlen(name) - 1] - 'x';
    return strstr(name, ".gyro.") ? 3 + axis : axis;
}

/* The channels file that --explain prints, given back, changes nothing: not one bit. */
static int check_explained(const char *what, const char *path, const sm_source *s,
                           const collected *c)
{
    sm_text ini = {0};
    sm_source_explain(s, &ini);
    collected again = {0};
    sm_error err = {0};
    int faults = 0;
    if (read_log(path, scratch_write("explained.ini", ini.s, ini.n), &again, NULL, NULL, &err) !=
        SM_OK) {
        (void)fprintf(stderr, "%s, explained: line %ld: %s\n%s", what, err.line, err.message,
                      ini.s);
        faults++;
    }
    bool same = again.n == c->n && again.n_channels == c->n_channels && again.n_gaps == c->n_gaps &&
                memcmp(&again.rate_hz, &c->rate_hz, sizeof(double)) == 0;
    for (size_t i = 0; same && i < c->n_channels; i++) {
        same = memcmp(again.x[i], c->x[i], c->n * sizeof(double)) == 0;
    }
    if (!faults && !same) {
        (void)fprintf(stderr, "%s: explained, it is read differently\n%s", what, ini.s);
        faults++;
    }
    collected_free(&again);
    sm_text_free(&ini);
    return faults;
}

/* Reads the log and compares; returns the number of faults. */
static int check_log(const char *what, const char *path, const char *channels, double tol_db,
                     size_t least_channels)
{
    collected c = {0};
    sm_error err = {0};
    sm_source *s = NULL;
    sm_findings findings = {0};
    int faults = 0;
    if (read_log(path, channels, &c, &findings, &s, &err) != SM_OK) {
        (void)fprintf(stderr, "%s: line %ld: %s\n", what, err.line, err.message);
        collected_free(&c);
        sm_findings_free(&findings);
        return 1;
    }
    const sm_source_info *info = sm_source_info_get(s);
    size_t compared = 0;
    for (size_t i = 0; i < info->n_channels; i++) {
        if (info->channels[i].role != SM_ROLE_ACCEL && info->channels[i].role != SM_ROLE_GYRO) {
            continue;
        }
        int k = axis_index(info->channels[i].name);
        double db = 20 * log10(ac_rms(c.x[i], c.n) / true_rms(k));
        if (!(fabs(db) <= tol_db)) {
            (void)fprintf(stderr, "%s: %s off by %.3f dB (%zu rows, %g Hz, %d gaps)\n", what,
                          info->channels[i].name, db, c.n, c.rate_hz, c.n_gaps);
            faults++;
        }
        compared++;
    }
    faults += check_explained(what, path, s, &c);
    if (compared < least_channels) {
        (void)fprintf(stderr, "%s: only %zu channels\n", what, compared);
        faults++;
    }
    if (faults && getenv("SM_TEST_VERBOSE")) {
        (void)fprintf(stderr, "%s\n", info->decided);
    }
    for (size_t i = 0; getenv("SM_TEST_VERBOSE") && i < findings.n; i++) {
        (void)fprintf(stderr, "%s: %s %s %ld: %s\n", what, findings.items[i].code,
                      findings.items[i].channel, findings.items[i].count, findings.items[i].text);
    }
    collected_free(&c);
    sm_findings_free(&findings);
    sm_source_close(&s);
    return faults;
}

static void test_forms__give_the_same_rms(void **state)
{
    (void)state;
    int faults = 0;
    for (size_t i = 0; i < sizeof forms / sizeof forms[0]; i++) {
        const form *f = &forms[i];
        sm_text t = {0};
        sm_text_add(&t, f->head);
        fill(f);
        size_t channels = 0;
        bool plain = false;
        for (const char *s = f->row; *s; s++) {
            plain ^= *s == '`';
            channels += !plain && strchr("xyzpqrE", *s) != NULL;
        }
        for (size_t k = 0; k < ROWS; k++) {
            add_row(&t, f, k);
        }
        sm_text_add(&t, f->tail ? f->tail : "");
        const char *path = scratch_write("form.csv", t.s, t.n);
        const char *given = f->channels ? scratch_text("form.ini", f->channels) : NULL;
        faults += check_log(f->what, path, given, f->tol_db, channels);
        sm_text_free(&t);
    }
    assert_int_equal(faults, 0);
}

int main(void)
{
    make_signal(&the_signal);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_forms__give_the_same_rms),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
