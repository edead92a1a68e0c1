/* The forms of test_logs.c, which has the type and the clocks before it includes this. */
#ifndef LOG_FORMS_H
#define LOG_FORMS_H

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
     .eol = " ", .tail = "[12,0,0,0,0,0,0]]"},
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
    {"UTF-16 of a spreadsheet, tabs",
     "\xef\xbb\xbft (\xc2\xb5s)\tAcc_X (m/s\xc2\xb2)\tAcc_Y (m/s\xc2\xb2)\tAcc_Z "
     "(m/s\xc2\xb2)\tGyr_X "
     "(\xc2\xb0/s)\tGyr_Y (\xc2\xb0/s)\tGyr_Z (\xc2\xb0/s)\r\n",
     "t\tx\ty\tz\tp\tq\tr", NULL, .time_scale = 1e6, .time_digits = 0, .accel_scale = 1,
     .gyro_scale = DPS, PLAIN, .eol = "\r\n", .utf16 = "LE"},
    {"UTF-16, large end first, decimal comma",
     "\xef\xbb\xbftime_s;ax_g;ay_g;az_g;gx_dps;gy_dps;gz_dps\n", "t;x;y;z;p;q;r", NULL, SECONDS,
     G_DPS, .decimal = ',', .tol_db = 0.1, .utf16 = "BE"},
    {"UTF-16 without its mark, CR alone", "time_s,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\r",
     "t,x,y,z,p,q,r", NULL, SECONDS, G_DPS, PLAIN, .eol = "\r", .utf16 = "LE"},
    {"no-break blanks in names and between thousands",
     "Time\xc2\xa0(ms);Accel\xc2\xa0X (mg);Accel\xc2\xa0Y (mg);Accel Z\xe2\x80\xaf(mg);Gyro X "
     "(mdeg/s);Gyro Y (mdeg/s);Gyro Z (mdeg/s)\n",
     "t;x;y;z;p;q;r", NULL, .time_scale = 1e3, .time_digits = 3, .accel_scale = 1 / 9.80665e-3,
     .gyro_scale = 1000 * DPS, .decimal = ',', .tol_db = 0.1, .thousands = "\xc2\xa0"},
    {"thin blanks between thousands, blanks of one byte around", "t (ms),ax_mg,ay_mg,az_mg\n",
     "t,\xa0x,y\xa0,z", NULL, .time_scale = 1e3, .time_digits = 3, .accel_scale = 1 / 9.80665e-3,
     .gyro_scale = 1, PLAIN, .thousands = "\xe2\x80\xaf"},
    {"points between thousands", "t (ms);ax_mg;ay_mg;az_mg\n", "t;x;y;z", NULL, .time_scale = 1e3,
     .time_digits = 3, .accel_scale = 1 / 9.80665e-3, .gyro_scale = 1, .decimal = ',',
     .tol_db = 0.1, .thousands = "."},
    {"units in capitals",
     "TIME (S),AX (M/S2),AY (M/S^2),AZ (M/S/S),GX (DEG/S),GY (Deg/s),GZ (DPS)\n", "t,x,y,z,p,q,r",
     NULL, SECONDS, .accel_scale = 1, .gyro_scale = DPS, PLAIN},
    {"raised digits and dots",
     "time (s),ax (m\xc2\xb7s\xe2\x81\xbb\xc2\xb2),ay (m/s/s),az [m s\xe2\x81\xbb\xc2\xb2],gx "
     "(\xc2\xb0\xc2\xb7s\xe2\x81\xbb\xc2\xb9),gy (\xc2\xb0 s\xe2\x81\xbb\xc2\xb9),gz "
     "(\xc2\xba/s)\n",
     "t,x,y,z,p,q,r", NULL, SECONDS, .accel_scale = 1, .gyro_scale = DPS, PLAIN},
    {"hours", "Time (h),ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n", "t,x,y,z,p,q,r", NULL,
     .time_scale = 1 / 3600.0, .time_digits = 9, .time_offset_s = -3600, G_DPS, PLAIN},
    {"hours in the name", "elapsed_hours,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n", "t,x,y,z,p,q,r",
     NULL, .time_scale = 1 / 3600.0, .time_digits = 9, G_DPS, PLAIN},
    {"day numbers of a spreadsheet", "Date,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n", "t,x,y,z,p,q,r",
     NULL, .time_scale = 1 / 86400.0, .time_digits = 10, .time_offset_s = -45987.5123 * 86400,
     G_DPS, PLAIN},
    {"day numbers of eight decimals", "Time,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n", "t,x,y,z,p,q,r",
     NULL, .time_scale = 1 / 86400.0, .time_digits = 8, .time_offset_s = -45987.5123 * 86400, G_DPS,
     .decimal = '.', .tol_db = 0.3},
    {"day numbers of six decimals", "Time,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n", "t,x,y,z,p,q,r",
     NULL, .time_scale = 1 / 86400.0, .time_digits = 6, .time_offset_s = -45987.5123 * 86400, G_DPS,
     .decimal = '.', .tol_db = 0.3},
    {"microseconds since 1970", "timestamp,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n", "t,x,y,z,p,q,r",
     NULL, .time_scale = 1e6, .time_digits = 0, .time_offset_s = -1756251054, G_DPS, PLAIN},
    {"nanoseconds since 1970, unit from the steps", "time,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n",
     "t,x,y,z,p,q,r", NULL, .time_scale = 1e9, .time_digits = 0, .time_offset_s = -1756251054,
     G_DPS, PLAIN},
    {"JSON, an object of rows beside other things",
     "{\"logger\": {\"rate\": [1, 2]}, \"rows\": [\n",
     "{`\"time_s\": `t, `\"ax_g\": `x, `\"ay_g\": `y, `\"az_g\": `z},", NULL, SECONDS, G_DPS, PLAIN,
     .tail = "{}], \"note\": \"]}\"}"},
    {"JSON, names beside the rows",
     "{\"columns\": [\"time_s\",\"ax_g\",\"ay_g\",\"az_g\"], \"index\": [0], \"data\": [",
     "[t,x,y,z],", NULL, SECONDS, G_DPS, PLAIN, .eol = "", .tail = "[null,null,null,null]]}"},
    {"UTF-16 with long words of three bytes a sign", "time_s,ax_g,ay_g,az_g,note\n",
     "t,x,y,z`,"
     "\xe6\xb8\xa9\xe5\xba\xa6\xe6\xb8\xa9\xe5\xba\xa6\xe6\xb8\xa9\xe5\xba\xa6\xe6\xb8\xa9\xe5\xba"
     "\xa6\xe6\xb8\xa9\xe5\xba\xa6"
     "\xe6\xb8\xa9\xe5\xba\xa6\xe6\xb8\xa9\xe5\xba\xa6\xe6\xb8\xa9\xe5\xba\xa6\xe6\xb8\xa9\xe5\xba"
     "\xa6\xe6\xb8\xa9\xe5\xba\xa6"
     "\xe6\xb8\xa9\xe5\xba\xa6\xe6\xb8\xa9\xe5\xba\xa6\xe6\xb8\xa9\xe5\xba\xa6\xe6\xb8\xa9\xe5\xba"
     "\xa6\xe6\xb8\xa9\xe5\xba\xa6"
     "\xe6\xb8\xa9\xe5\xba\xa6\xe6\xb8\xa9\xe5\xba\xa6\xe6\xb8\xa9\xe5\xba\xa6\xe6\xb8\xa9\xe5\xba"
     "\xa6\xe6\xb8\xa9\xe5\xba\xa6"
     "\xe6\xb8\xa9\xe5\xba\xa6\xe6\xb8\xa9\xe5\xba\xa6\xe6\xb8\xa9\xe5\xba\xa6\xe6\xb8\xa9\xe5\xba"
     "\xa6\xe6\xb8\xa9\xe5\xba\xa6"
     "\xe6\xb8\xa9\xe5\xba\xa6\xe6\xb8\xa9\xe5\xba\xa6\xe6\xb8\xa9\xe5\xba\xa6\xe6\xb8\xa9\xe5\xba"
     "\xa6\xe6\xb8\xa9\xe5\xba\xa6",
     NULL, SECONDS, G_DPS, PLAIN, .utf16 = "LE"},
    {"units in the cells", "time,ax,ay,az,gx,gy,gz\n",
     "t`ms`,x`g`,y` g`,z`\xc2\xa0g`,p` deg/s`,q`\xc2\xb0/s`,r` dps`",
     "[column ax]\nunit = g\n[column ay]\nunit = g\n[column az]\nunit = g\n[column gx]\nunit = "
     "deg/s\n"
     "[column gy]\nunit = deg/s\n[column gz]\nunit = deg/s\n[column time]\nunit = s\n",
     .time_scale = 1e3, .time_digits = 3, G_DPS, PLAIN},
    {"other units in the cells than in the names", "time_s,ax_g,ay_g,az_g\n",
     "t,x` m/s^2`,y` m/s\xc2\xb2`,z` M/S2`", NULL, SECONDS, SI, PLAIN},
    {"bars", "| time_s | ax_g | ay_g | az_g |\n|---|---|---|---|\n", "| t | x | y | z |", NULL,
     SECONDS, G_DPS, PLAIN},
    {"JSON, objects over lines behind each other", "",
     "{\n `\"time_s\": `t,\n `\"ax_g\": `x,\n `\"az_g\": `z\n}", NULL, SECONDS, G_DPS, PLAIN},
    {"every second row a comment", "time_s,ax_g,ay_g,az_g\n", "# t\nt,x,y,z", NULL, SECONDS, G_DPS,
     PLAIN},
    {"quoted decimal commas between commas", "time_s,ax_g,ay_g,az_g\n", "\"t\",\"x\",\"y\",\"z\"",
     NULL, SECONDS, G_DPS, .decimal = ',', .tol_db = 0.1},
    {"commas between thousands, in quotes", "t (ms),ax_mg,ay_mg,az_mg\n", "\"t\",\"x\",\"y\",\"z\"",
     NULL, .time_scale = 1e3, .time_digits = 3, .accel_scale = 1 / 9.80665e-3, .gyro_scale = 1,
     PLAIN, .thousands = ","},
    {"irregular timer", "time_s,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps\n", "t,x,y,z,p,q,r", NULL,
     SECONDS, G_DPS, .decimal = '.', .tol_db = 0.3, .stamp = jitter_walk},
};

#endif
