/* Whether it was day or night at a place and time, from the sun's elevation.
   Declination and equation of time after Spencer (1971), good to about half a degree; day is when
   the centre of the sun stands above -0.8333 degree, as the service takes it. */
const SUNRISE_DEG = -0.8333;

/** Elevation of the sun [deg], without refraction. */
export function elevation(longitude, latitude, moment) {
  const time = new Date(moment);
  const start = Date.UTC(time.getUTCFullYear(), 0, 1);
  const angle = (2 * Math.PI * ((time - start) / 86400000)) / 365;
  const wave = (count) => [Math.cos(count * angle), Math.sin(count * angle)];
  const [[c1, s1], [c2, s2], [c3, s3]] = [wave(1), wave(2), wave(3)];
  const declination =
    0.006918 -
    0.399912 * c1 +
    0.070257 * s1 -
    0.006758 * c2 +
    0.000907 * s2 -
    0.002697 * c3 +
    0.00148 * s3;
  const equation_min =
    229.18 * (0.000075 + 0.001868 * c1 - 0.032077 * s1 - 0.014615 * c2 - 0.04089 * s2);
  const minutes = time.getUTCHours() * 60 + time.getUTCMinutes() + time.getUTCSeconds() / 60;
  const radians = Math.PI / 180;
  const hour = ((minutes + equation_min) / 4 - 180 + longitude) * radians;
  const phi = latitude * radians;
  const sine =
    Math.sin(phi) * Math.sin(declination) + Math.cos(phi) * Math.cos(declination) * Math.cos(hour);
  return Math.asin(Math.max(-1, Math.min(1, sine))) / radians;
}

export const isDay = (longitude, latitude, moment) =>
  elevation(longitude, latitude, moment) >= SUNRISE_DEG;
