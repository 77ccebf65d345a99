# Means, ratios and standard errors by R's survey package.
#
#   Rscript survey.R FOLDER > ESTIMATES.csv
#
# FOLDER holds areas.csv (kind, name, area_ha, listed_units, phase_one_points), plots.csv (stratum, cluster, plot,
# class, fraction) and trees.csv (plot, dbh_cm, height_m). Plots are of 0.04 ha. Prints case,
# quantity, estimate, std_error.
#
# Cases: `plots` takes every plot as a unit, `clusters` the clusters, `listed` clusters drawn from
# lists without replacement, `sizes` clusters of plots weighted by their area, `sorted` clusters of
# one sample over all strata, sorted into the classes of plots. Strata are put together by their
# areas from means of their own; functions of means are svycontrast's. `points` takes the strata as
# found at the points of a first sample, `stands` the clusters as stands of a list of 60 in which
# plots were drawn from lists.

suppressWarnings(suppressPackageStartupMessages(library(survey)))
folder <- commandArgs(trailingOnly = TRUE)[1]
read <- function(name) read.csv(file.path(folder, name))
areas <- read("areas.csv")
plots <- read("plots.csv")
trees <- read("trees.csv")

plot_ha <- 0.04
basal_area <- pi / 40000 * trees$dbh_cm^2
per_ha <- function(value) {
  sums <- tapply(value, factor(trees$plot, levels = plots$plot), sum)
  as.vector(ifelse(is.na(sums), 0, sums)) / (plot_ha * plots$fraction)
}
plots$trees <- per_ha(rep(1, nrow(trees)))
plots$basal_area <- per_ha(basal_area)
plots$height <- per_ha(trees$height_m)
plots$basal_area_height <- per_ha(basal_area * trees$height_m)
plots$volume_total <- 0.45 * plots$basal_area_height
plots$sdi_summed <- per_ha((trees$dbh_cm / 25.4)^1.605)
columns <- c("trees", "basal_area", "height", "basal_area_height", "volume_total", "sdi_summed")

strata <- areas[areas$kind == "stratum", ]
classes <- areas[areas$kind == "class", ]
plots$listed <- strata$listed_units[match(plots$stratum, strata$name)]
plots$all_listed <- sum(strata$listed_units)
plots$one <- 1

cat("case,quantity,estimate,std_error\n")
put <- function(case, quantity, contrast) {
  cat(sprintf(
    "%s,%s,%.17g,%.17g\n", case, quantity, as.numeric(coef(contrast)), as.numeric(SE(contrast))
  ))
}

# Derivatives are taken of the quoted formula; N, G, H, L stand for their means per ha.
ratios <- list(
  quadratic_mean_dbh = quote(sqrt(40000 * G / (pi * N))),
  mean_height = quote(H / N),
  lorey_height = quote(L / G),
  density_index = quote(N * (sqrt(40000 * G / (pi * N)) / 25.4)^1.605),
  relative_density = quote(G / sqrt(sqrt(40000 * G / (pi * N))))
)
put_in <- function(formula, means) {
  eval(call("substitute", formula, means))
}

# Totals of each column and of the sizes in every stratum, and smooth functions of these.
by_strata <- function(case, design, size) {
  totals <- c()
  for (name in strata$name) {
    inside <- as.numeric(plots$stratum == name)
    totals[[paste0("x.", name)]] <- inside * size
    for (column in columns) {
      totals[[paste0(column, ".", name)]] <- inside * size * plots[[column]]
    }
  }
  totals <- as.data.frame(totals)
  names(totals) <- gsub("[^a-z_.]", "", names(totals))
  design$variables <- cbind(design$variables[, "one", drop = FALSE], totals)
  found <- svytotal(reformulate(sprintf("`%s`", names(totals))), design)
  names_found <- gsub("`", "", names(coef(found)))
  values <- as.numeric(coef(found))
  names(values) <- names_found
  variance <- matrix(as.numeric(vcov(found)), length(values), dimnames = list(names_found, names_found))
  found <- structure(values, var = variance, statistic = "total", class = "svystat")
  weights <- strata$area_ha / sum(strata$area_ha)
  mean_of <- function(column) {
    terms <- sprintf("%.17g * %s.%s / x.%s", weights, column, strata$name, strata$name)
    parse(text = paste(terms, collapse = " + "))[[1]]
  }
  for (column in columns) put(case, column, svycontrast(found, mean_of(column)))
  means <- lapply(
    list(N = "trees", G = "basal_area", H = "height", L = "basal_area_height"), mean_of
  )
  for (name in names(ratios)) put(case, name, svycontrast(found, put_in(ratios[[name]], means)))
}

with_replacement <- function(ids) {
  svydesign(ids = ids, strata = ~stratum, weights = ~one, data = plots, nest = TRUE)
}
by_strata("plots", with_replacement(~plot), plots$one)
by_strata("clusters", with_replacement(~cluster), plots$one)
listed <- svydesign(
  ids = ~cluster, strata = ~stratum, weights = ~one, fpc = ~listed, data = plots, nest = TRUE
)
by_strata("listed", listed, plots$one)
by_strata("sizes", with_replacement(~cluster), plot_ha * plots$fraction)

# The means of each stratum by svymean and svyratio themselves.
for (name in strata$name) {
  inside <- function(design) subset(design, plots$stratum == name)
  put(paste0("clusters/", name), "volume_total", svymean(~volume_total, inside(with_replacement(~cluster))))
  put(paste0("listed/", name), "volume_total", svymean(~volume_total, inside(listed)))
  plots$size <- plot_ha * plots$fraction
  plots$sized <- plots$size * plots$volume_total
  put(paste0("sizes/", name), "volume_total", svyratio(~sized, ~size, inside(with_replacement(~cluster))))
}

# One sample of clusters over all strata, sorted into classes after sampling.
whole <- svydesign(ids = ~cluster, weights = ~one, fpc = ~all_listed, data = plots)
frequencies <- data.frame(class = classes$name, Freq = classes$area_ha)
sorted <- postStratify(whole, ~class, frequencies)
put_means <- function(case, means) {
  for (column in columns) put(case, column, svycontrast(means, setNames(1, column)))
  symbols <- list(
    N = quote(trees), G = quote(basal_area), H = quote(height), L = quote(basal_area_height)
  )
  for (name in names(ratios)) put(case, name, svycontrast(means, put_in(ratios[[name]], symbols)))
}
put_means("sorted", svymean(reformulate(columns), sorted))

# Two phases: points without a plot carry no values. The variance between strata has the divisor n'
# in the package, and n' - 1 in the unbiased form of Cochran 1977 (12.32): everything is raised by
# n' / (n' - 1).
without <- function(name) {
  spare <- strata$phase_one_points[strata$name == name] - sum(plots$stratum == name)
  empty <- plots[rep(NA_integer_, spare), ]
  empty$stratum <- name
  empty
}
points <- rbind(plots, do.call(rbind, lapply(strata$name, without)))
points$measured <- !is.na(points$plot)
points$point <- seq_len(nrow(points))
first <- twophase(
  id = list(~point, ~point), strata = list(NULL, ~stratum), subset = ~measured, data = points,
  method = "full"
)
means <- svymean(reformulate(columns), first)
attr(means, "var") <- attr(means, "var") * nrow(points) / (nrow(points) - 1)
put_means("points", means)

# Stands of a list, and plots in these.
of_stand <- areas[areas$kind == "stand", ]
at <- match(plots$cluster, of_stand$name)
plots$stands <- 60
plots$in_stand <- of_stand$listed_units[at]
plots$raised <- of_stand$area_ha[at] / as.vector(table(plots$cluster)[as.character(plots$cluster)])
stands <- svydesign(
  ids = ~ cluster + plot, weights = ~raised, fpc = ~ stands + in_stand, data = plots
)
put_means("stands", svymean(reformulate(columns), stands))
