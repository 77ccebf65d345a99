# Limits by R's package boot from resamples that were drawn elsewhere.
#
#   Rscript boot.R UNITS.csv RESAMPLES.csv > LIMITS.csv
#
# UNITS.csv: case, stratum, weight, size and the columns of each unit. RESAMPLES.csv: case and, for
# each resample, the units drawn, numbered from 1 within the case, strata in their order, separated
# by blanks. Percentile and BCa limits are boot.ci's; its influence values are the jackknife's of
# empinf, centred in each stratum and divided by the number of units there, because bca.ci itself
# weights strata of any size alike. The confidence that boot.ci is given is the widened one.

suppressWarnings(suppressPackageStartupMessages(library(boot)))
arguments <- commandArgs(trailingOnly = TRUE)
all_units <- read.csv(arguments[1])
all_drawn <- read.csv(arguments[2], colClasses = "character")

statistics <- list(
  quadratic_mean_dbh = function(m) sqrt(40000 * m[2] / (pi * m[1])),
  lorey_height = function(m) m[3] / m[2],
  stand_density_index = function(m) {
    m[1] * (sqrt(40000 * m[2] / (pi * m[1])) / 25.4)^1.605
  }
)
columns <- c("trees", "basal_area", "basal_area_height")

cat("case,statistic,method,confidence,lower,upper,theta,resampled_sd,acceleration,jackknife_se\n")
for (case in unique(all_units$case)) {
  units <- all_units[all_units$case == case, ]
  strata <- factor(units$stratum, levels = unique(units$stratum))
  drawn <- do.call(rbind, lapply(
    strsplit(all_drawn$units[all_drawn$case == case], " "), as.integer
  ))
  weights <- tapply(units$weight, strata, function(w) w[1])
  weights <- weights / sum(weights)
  means <- function(units, i) {
    part <- units[i, ]
    of <- factor(part$stratum, levels = levels(strata))
    size <- tapply(part$size, of, sum)
    sapply(columns, function(column) sum(weights * tapply(part[[column]], of, sum) / size))
  }
  for (name in names(statistics)) {
    statistic <- function(units, i) statistics[[name]](means(units, i))
    made <- boot(units, statistic, R = 3, strata = strata)
    made$R <- nrow(drawn)
    made$t <- matrix(apply(drawn, 1, function(i) statistic(units, i)), ncol = 1)
    influence <- empinf(
      data = units, statistic = statistic, stype = "i", type = "jack", strata = strata
    )
    influence <- influence - ave(influence, strata)
    n <- as.numeric(table(strata)[strata])
    scaled <- influence / n
    acceleration <- sum(scaled^3) / (6 * sum(scaled^2)^1.5)
    error <- sqrt(sum(influence^2 / (n * (n - 1))))
    # Widened for few units: as for t, and by what resamples spread too little.
    v <- tapply(influence^2 / (n * (n - 1)), strata, sum)
    n_h <- as.numeric(table(strata))
    df <- sum(v)^2 / sum(v^2 / (n_h - 1))
    widening <- sqrt(sum(v) / sum(v * (n_h - 1) / n_h))
    for (confidence in c(0.8, 0.95)) {
      wide <- 2 * pnorm(widening * qt((1 + confidence) / 2, df)) - 1
      limits <- boot.ci(made, conf = wide, type = c("perc", "bca"), L = scaled)
      for (method in c("percent", "bca")) {
        cat(sprintf(
          "%s,%s,%s,%g,%.15g,%.15g,%.15g,%.15g,%.15g,%.15g\n", case, name, method, confidence,
          limits[[method]][4], limits[[method]][5], made$t0, sd(made$t), acceleration, error
        ))
      }
    }
  }
}
