# Leverages, studentised residuals and errors of what is left out, by R.
#
#   Rscript residuals.R HEIGHTS.csv > RESIDUALS.csv
#
# HEIGHTS.csv: plot, dbh_cm, height_m. Curves of y = height - 1.3: `log-line` and `parabola` by lm,
# `naslund` and `weibull` by nls, each with equal weights and with 1/D. For nls, hatvalues,
# rstandard and rstudent are those of lm on the tangent plane at the fitted parameters. Prints a row
# for each height, and for each curve one whose row is `plots`: its left_out_m is the root mean
# square error of the heights of plots left out in turn, every fit from scratch.

heights <- read.csv(commandArgs(trailingOnly = TRUE)[1])
heights$y <- heights$height_m - 1.3

naslund <- deriv(~ d^2 / (a + b * d)^2, c("a", "b"), function(d, a, b) NULL)
weibull <- deriv(~ a * (1 - exp(-b * d^c)), c("a", "b", "c"), function(d, a, b, c) NULL)
control <- nls.control(maxiter = 500, tol = 1e-8)
fits <- list(
  "log-line" = function(data, w) lm(y ~ log(dbh_cm), data, weights = w),
  parabola = function(data, w) lm(y ~ dbh_cm + I(dbh_cm^2), data, weights = w),
  naslund = function(data, w) {
    nls(y ~ naslund(dbh_cm, a, b), data, start = list(a = 2, b = 0.16), weights = w, control = control)
  },
  weibull = function(data, w) {
    nls(y ~ weibull(dbh_cm, a, b, c), data,
      start = list(a = 30, b = 0.02, c = 1.1), weights = w, control = control
    )
  }
)

cat("form,weights,row,fitted_m,residual_m,leverage,studentised,externally,left_out_m\n")
for (form in names(fits)) {
  for (weighting in c("equal", "inverse-dbh")) {
    weight <- function(data) if (weighting == "equal") rep(1, nrow(data)) else 1 / data$dbh_cm
    data <- heights
    data$w <- weight(data)
    # The weights are looked for among the columns.
    fit <- eval(substitute(f(data, w), list(f = fits[[form]], w = data$w)))
    e <- data$y - fitted(fit)
    plane <- fit
    if (inherits(fit, "nls")) {
      g <- if (form == "naslund") {
        attr(do.call(naslund, c(list(data$dbh_cm), as.list(coef(fit)))), "gradient")
      } else {
        attr(do.call(weibull, c(list(data$dbh_cm), as.list(coef(fit)))), "gradient")
      }
      plane <- lm(e ~ g - 1, weights = data$w)
    }
    h <- hatvalues(plane)
    cat(sprintf(
      "%s,%s,%d,%.15g,%.15g,%.15g,%.15g,%.15g,%.15g\n", form, weighting, seq_along(e),
      1.3 + fitted(fit), e, h, rstandard(plane), rstudent(plane), e / (1 - h)
    ), sep = "")
    errors <- unlist(lapply(unique(heights$plot), function(plot) {
      kept <- heights[heights$plot != plot, ]
      out <- heights[heights$plot == plot, ]
      out$y - predict(fits[[form]](kept, weight(kept)), newdata = out)
    }))
    cat(sprintf("%s,%s,plots,,,,,,%.15g\n", form, weighting, sqrt(mean(errors^2))))
  }
}
